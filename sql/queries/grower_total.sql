-- A row is a grower's season: its loads and their dirt; observed_half is the half width of a 95 % interval with visits
-- (machine, field, shift) as clusters, null with fewer than two. Expected values follow under disclosure control
-- (`reports/pages/grower_data.py`).
-- Root loss is the mean of the plots dug in own fields; lifted_ha is the area lifted, clean beet over clean yield, null
-- if a load's yield is unknown. Key: grower_id. Reads load_fact, expected_load, audit_fact.
with own_field as (
    select distinct grower_id, field_id
    from load_fact
    where grower_id is not null
),

plot as (
    select o.grower_id, count(a.root_loss_t_ha) as plots, avg(a.root_loss_t_ha) as root_loss_t_ha
    from own_field as o
    inner join audit_fact as a using (field_id)
    group by o.grower_id
),

visit as (
    select f.grower_id, f.shift_date, count(*) as loads, count(e.observed_pct) as measured, sum(f.delivered_t) as delivered_t,
        sum(e.observed_pct) as observed,
        case when count(*) = count(f.yield_t_ha) then sum(f.delivered_t / nullif(f.yield_t_ha, 0)) end as delivered_ha
    from load_fact as f
    left join expected_load as e using (load_id)
    where f.grower_id is not null
    group by f.grower_id, f.machine_id, f.field_id, f.shift_date
)

select v.grower_id, cast(sum(v.loads) as bigint) as loads, cast(sum(v.measured) as bigint) as measured,
    sum(v.delivered_t) as delivered_t, sum(v.observed) / sum(v.measured) as observed_pct,
    cluster_half(v.observed, v.measured) as observed_half, max(v.shift_date) as last_day,
    any_value(p.plots) as plots, any_value(p.root_loss_t_ha) as root_loss_t_ha,
    case when count(*) = count(v.delivered_ha) then sum(v.delivered_ha) end
    * (1 - sum(v.observed) / sum(v.measured) / 100) as lifted_ha
from visit as v
left join plot as p using (grower_id)
group by v.grower_id
order by natural_order(v.grower_id)
