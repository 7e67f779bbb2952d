-- A row is a field: position, outline, and its measured loads' observed and expected dirt, in one shift or, with a null
-- shift_date, in the season. Expected is the dirt for the loads' conditions alone: the field's own effect is part of the
-- difference, not of the expected value. difference_half is the half width of its mean's 95 % interval. Clusters are
-- visits (machine, field, shift) in a season. All visits of a shift are observed, so they are not a sample: its clusters
-- are a machine's hours of lifting in the field. Position and area are null for a field missing from the field list.
-- Key: field_id. Reads field, load_fact, expected_load. Parameter: shift_date.
with cluster as (
    select f.field_id, count(*) as n, sum(e.observed_pct) as observed, sum(e.conditions_pct) as expected
    from load_fact as f
    inner join expected_load as e using (load_id)
    where ($shift_date::date is null or f.shift_date = $shift_date::date) and f.field_id is not null
    group by f.field_id, f.machine_id, f.shift_date,
        case when $shift_date::date is not null then date_trunc('hour', f.lifted_at) end
),

dirt as (
    select field_id, cast(sum(n) as bigint) as n, count(*) as n_clusters, sum(observed) / sum(n) as observed_pct,
        sum(expected) / sum(n) as expected_pct, sum(observed - expected) / sum(n) as difference_pct,
        cluster_half(observed - expected, n) as difference_half
    from cluster
    group by field_id
)

select field_id, p.lat_deg, p.lon_deg, p.area_ha, p.boundary, coalesce(d.n, 0) as n,
    coalesce(d.n_clusters, 0) as n_clusters, d.observed_pct, d.expected_pct, d.difference_pct, d.difference_half
from "field" as p
full join dirt as d using (field_id)
order by natural_order(field_id), field_id
