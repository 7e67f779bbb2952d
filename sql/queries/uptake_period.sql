-- A row is a week (from Monday) or a month with advised moves: the moves by what the machines did with them, and the
-- saving of soil per tonne of clean beet that the moves made were promised to have and had; the means over all periods,
-- weighted with clean_t, are those of realised_saving. saved_half is the half width of a 95 % interval with machines as
-- clusters, null with fewer than two. shifts: shifts of machines that made their moves. Key: starts_on.
-- Reads advice_uptake, realised_shift. Parameter: period (week or month).
with moves as (
    select cast(date_trunc($period, shift_date) as date) as starts_on, count(*) as moves,
        count(*) filter (uptake_code = 'followed') as followed, count(*) filter (uptake_code = 'partly') as partly,
        count(*) filter (uptake_code = 'not') as not_made, count(*) filter (uptake_code = 'opposite') as opposite,
        count(*) filter (uptake_code = 'unknown') as unknown
    from advice_uptake
    where not is_withheld
    group by 1
),

by_machine as (
    select cast(date_trunc($period, shift_date) as date) as starts_on, machine_id, count(*) as shifts,
        sum(clean_t) as clean_t, sum(contrast_promised_per_t * clean_t) as promised, sum(contrast_saved_per_t * clean_t) as saved
    from realised_shift
    where contrast_saved_per_t is not null
    group by 1, 2
),

savings as (
    select starts_on, cast(sum(shifts) as bigint) as shifts, sum(clean_t) as clean_t,
        sum(promised) / sum(clean_t) as promised_per_t, sum(saved) / sum(clean_t) as saved_per_t,
        cluster_half(saved, clean_t) as saved_half
    from by_machine
    group by starts_on
)

select m.*, coalesce(s.shifts, 0) as shifts, s.clean_t, s.promised_per_t, s.saved_per_t, s.saved_half
from moves as m
left join savings as s using (starts_on)
order by m.starts_on
