-- A row is a change that was advised to a machine for one shift, and what the machine did in that shift. n: its loads;
-- measured: those with a lab result, whose mean observed and expected dirt follow. mean_value is the mean of its loads;
-- advised_dirt_pct: dirt that the advice expected after this move and those before it.
-- followed: mean_value is at least half of the way from from_value to to_value; null if no load has a value of the setting.
-- Key: machine_id, setting. Reads advice_issued, load_fact, expected_load. Parameter: shift_date.
with in_force as (
    select distinct issued_at
    from advice_issued
    where shift_date = $shift_date and not had_loads
    qualify dense_rank() over (
        order by issued_at < coalesce(
            (select min(lifted_at) from load_fact where shift_date = $shift_date), issued_at + interval 1 second
        ) desc, issued_at desc
    ) = 1
),

advised as (
    select machine_id, move_number, setting, unit, from_value, to_value, dirt_after_pct as advised_dirt_pct
    from advice_issued
    semi join in_force using (issued_at)
    where shift_date = $shift_date and verdict = 'move'
),

-- The settings of the catalogue are columns of load_fact, so a setting is read by its name.
run as (
    select a.machine_id, a.setting, avg(try_cast(json_extract_string(to_json(f), a.setting) as double)) as mean_value
    from advised as a
    inner join load_fact as f on f.machine_id = a.machine_id and f.shift_date = $shift_date
    group by a.machine_id, a.setting
),

dirt as (
    select f.machine_id, count(*) as n, count(e.load_id) as measured, avg(e.observed_pct) as observed_pct,
        avg(e.expected_pct) as expected_pct
    from load_fact as f
    left join expected_load as e using (load_id)
    where f.shift_date = $shift_date
    group by f.machine_id
)

select a.*, r.mean_value, (r.mean_value - a.from_value) / nullif(a.to_value - a.from_value, 0) >= 0.5 as followed,
    coalesce(d.n, 0) as n, coalesce(d.measured, 0) as measured, d.observed_pct, d.expected_pct
from advised as a
left join run as r using (machine_id, setting)
left join dirt as d using (machine_id)
order by natural_order(a.machine_id), a.setting
