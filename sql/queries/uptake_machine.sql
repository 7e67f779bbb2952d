-- A row is a machine with advised moves: the moves by what it did with them, and the saving of soil per tonne of clean
-- beet that the moves it made were promised to have and had; the means over all machines, weighted with clean_t, are
-- those of realised_saving. saved_half is the half width of a 95 % interval with shifts as clusters, null with fewer than
-- two. shifts: shifts in which it made its moves. Key: machine_id. Reads advice_uptake, realised_shift.
with moves as (
    select machine_id, count(*) as moves, count(*) filter (uptake_code = 'followed') as followed,
        count(*) filter (uptake_code = 'partly') as partly, count(*) filter (uptake_code = 'not') as not_made,
        count(*) filter (uptake_code = 'opposite') as opposite, count(*) filter (uptake_code = 'unknown') as unknown
    from advice_uptake
    where not is_withheld
    group by machine_id
),

savings as (
    select machine_id, count(*) as shifts, sum(clean_t) as clean_t,
        sum(contrast_promised_per_t * clean_t) / sum(clean_t) as promised_per_t,
        sum(contrast_saved_per_t * clean_t) / sum(clean_t) as saved_per_t,
        cluster_half(contrast_saved_per_t * clean_t, clean_t) as saved_half
    from realised_shift
    where contrast_saved_per_t is not null
    group by machine_id
)

select m.*, coalesce(s.shifts, 0) as shifts, s.clean_t, s.promised_per_t, s.saved_per_t, s.saved_half
from moves as m
left join savings as s using (machine_id)
order by natural_order(m.machine_id)
