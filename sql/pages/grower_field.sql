-- A row is a grower's field: its own loads, their dirt, root loss by plots. Expected values are added under disclosure
-- control (`reports/grower_sheet.py`). Key: grower_id, field_id. Reads load_fact, expected_load, audit_fact.
with plots as (
    select field_id, count(root_loss_t_ha) as plots, avg(root_loss_t_ha) as root_loss_t_ha,
        1.96 * stddev_samp(root_loss_t_ha) / sqrt(count(root_loss_t_ha)) as root_loss_half
    from audit_fact
    group by field_id
)

select f.grower_id, f.field_id, count(*) as loads, count(e.observed_pct) as measured, sum(f.gross_t) as gross_t,
    avg(e.observed_pct) as observed_pct, 1.96 * stddev_samp(e.observed_pct) / sqrt(count(e.observed_pct)) as observed_half,
    any_value(p.plots) as plots, any_value(p.root_loss_t_ha) as root_loss_t_ha,
    any_value(p.root_loss_half) as root_loss_half
from load_fact as f
left join expected_load as e using (load_id)
left join plots as p using (field_id)
where f.grower_id is not null
group by f.grower_id, f.field_id
order by natural_order(f.grower_id), natural_order(f.field_id)
