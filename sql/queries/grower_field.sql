-- A row is a grower's field: its loads, their dirt, root loss by plots. Halves are half widths of 95 % intervals with
-- the field's visits (machine and shift) as clusters, null with fewer than two. Expected values follow under disclosure
-- control (`reports/pages/grower_data.py`).
-- Key: grower_id, field_id. Reads load_fact, expected_load, audit_fact.
with audit_visit as (
    select field_id, count(root_loss_t_ha) as plots, sum(root_loss_t_ha) as loss
    from audit_fact
    group by field_id, machine_id, shift_date
),

plots as (
    select field_id, cast(sum(plots) as bigint) as plots, sum(loss) / sum(plots) as root_loss_t_ha,
        cluster_half(loss, plots) as root_loss_half
    from audit_visit
    group by field_id
),

visit as (
    select f.grower_id, f.field_id, count(*) as loads, count(e.observed_pct) as measured, sum(f.delivered_t) as delivered_t,
        sum(e.observed_pct) as observed
    from load_fact as f
    left join expected_load as e using (load_id)
    where f.grower_id is not null
    group by f.grower_id, f.field_id, f.machine_id, f.shift_date
)

select v.grower_id, v.field_id, cast(sum(v.loads) as bigint) as loads, cast(sum(v.measured) as bigint) as measured,
    sum(v.delivered_t) as delivered_t, sum(v.observed) / sum(v.measured) as observed_pct,
    cluster_half(v.observed, v.measured) as observed_half,
    any_value(p.plots) as plots, any_value(p.root_loss_t_ha) as root_loss_t_ha,
    any_value(p.root_loss_half) as root_loss_half
from visit as v
left join plots as p using (field_id)
group by v.grower_id, v.field_id
order by natural_order(v.grower_id), natural_order(v.field_id)
