-- A row is a machine in one shift: loads, tonnes, dirt observed and expected for its conditions, root loss.
-- Key: machine_id. Reads load_fact, expected_load, audit_fact. Parameter: shift_date.
with loads as (
    select machine_id, any_value(generation) as generation, count(*) as loads, sum(gross_t) as gross_t,
        avg(trace_quality) as trace_quality, string_agg(distinct site_id, '|' order by natural_order(site_id)) as sites
    from load_fact
    where shift_date = $shift_date and machine_id is not null
    group by machine_id
),

dirt as (
    select f.machine_id, count(*) as measured, avg(e.observed_pct) as observed_pct,
        1.96 * stddev_samp(e.observed_pct) / sqrt(count(*)) as observed_half,
        avg(e.expected_pct) as expected_pct, avg(e.lo95) as expected_lo95, avg(e.hi95) as expected_hi95
    from load_fact as f
    inner join expected_load as e using (load_id)
    where f.shift_date = $shift_date
    group by f.machine_id
),

loss as (
    select machine_id, count(*) as audits, avg(root_loss_t_ha) as root_loss_t_ha,
        1.96 * stddev_samp(root_loss_t_ha) / sqrt(count(*)) as root_loss_half
    from audit_fact
    where shift_date = $shift_date
    group by machine_id
)

select l.*, d.* exclude (machine_id), s.* exclude (machine_id)
from loads as l
left join dirt as d using (machine_id)
left join loss as s using (machine_id)
order by natural_order(l.machine_id)
