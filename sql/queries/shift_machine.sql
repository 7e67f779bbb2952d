-- A row is a machine in one shift: loads, tonnes, observed dirt, dirt expected for the conditions, root loss. Halves
-- are half widths of 95 % intervals of the shift's mean. All visits of the shift are observed, so they are not a
-- sample: clusters are hours of lifting in a field (loads of one hour share ground and settings) and single plots; null
-- with fewer than two.
-- Key: machine_id. Reads load_fact, expected_load, audit_fact. Parameter: shift_date.
with loads as (
    select machine_id, any_value(generation) as generation, count(*) as loads, sum(delivered_t) as delivered_t,
        avg(trace_quality) as trace_quality, string_agg(distinct site_id, '|' order by natural_order(site_id)) as sites
    from load_fact
    where shift_date = $shift_date and machine_id is not null
    group by machine_id
),

worked_hour as (
    select f.machine_id, count(*) as measured, sum(e.observed_pct) as observed, sum(e.expected_pct) as expected,
        sum(e.lo95) as lo95, sum(e.hi95) as hi95
    from load_fact as f
    inner join expected_load as e using (load_id)
    where f.shift_date = $shift_date
    group by f.machine_id, f.field_id, date_trunc('hour', f.lifted_at)
),

dirt as (
    select machine_id, cast(sum(measured) as bigint) as measured, sum(observed) / sum(measured) as observed_pct,
        cluster_half(observed, measured) as observed_half, sum(expected) / sum(measured) as expected_pct,
        sum(lo95) / sum(measured) as expected_lo95, sum(hi95) / sum(measured) as expected_hi95
    from worked_hour
    group by machine_id
),

loss as (
    select machine_id, count(*) as audits, avg(root_loss_t_ha) as root_loss_t_ha,
        cluster_half(root_loss_t_ha, 1) as root_loss_half
    from audit_fact
    where shift_date = $shift_date
    group by machine_id
)

select l.*, d.* exclude (machine_id), s.* exclude (machine_id)
from loads as l
left join dirt as d using (machine_id)
left join loss as s using (machine_id)
order by natural_order(l.machine_id)
