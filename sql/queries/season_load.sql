-- A row is a load of the season with the columns for lists and their filters. Key: load_id.
-- Reads load_fact, load_class, expected_load.
select f.load_id, f.machine_id, f.site_id, c.wetness_class, c.soil_class, f.field_id, f.grower_id, f.operator_id,
    f.shift_date, f.delivered_t, e.observed_pct, e.expected_pct, e.lo95, e.hi95, f.trace_quality, f.lifted_at
from load_fact as f
left join load_class as c using (load_id)
left join expected_load as e using (load_id)
order by
    f.shift_date,
    f.lifted_at,
    -- Numbers in ids decide only between loads lifted at once: reading them takes longer than the rest of the query.
    case when count(*) over (partition by f.shift_date, f.lifted_at) > 1 then natural_order(f.load_id) end,
    f.load_id
