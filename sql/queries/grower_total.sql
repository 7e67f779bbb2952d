-- A row is a grower's season: its loads and their dirt; observed_half is the half width of a 95 % interval with visits
-- (machine, field, shift) as clusters, null with fewer than two. Expected values follow under disclosure control
-- (`reports/pages/grower_data.py`).
-- Key: grower_id. Reads load_fact, expected_load.
with visit as (
    select f.grower_id, f.shift_date, count(*) as loads, count(e.observed_pct) as measured, sum(f.gross_t) as gross_t,
        sum(e.observed_pct) as observed
    from load_fact as f
    left join expected_load as e using (load_id)
    where f.grower_id is not null
    group by f.grower_id, f.machine_id, f.field_id, f.shift_date
)

select grower_id, cast(sum(loads) as bigint) as loads, cast(sum(measured) as bigint) as measured, sum(gross_t) as gross_t,
    sum(observed) / sum(measured) as observed_pct, cluster_half(observed, measured) as observed_half,
    max(shift_date) as last_day
from visit
group by grower_id
order by natural_order(grower_id)
