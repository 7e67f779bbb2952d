-- A row is a load of one shift: time of its minutes, observed and expected dirt, condition classes. Key: load_id.
-- Reads load_fact, load_class, load_trace, expected_load. Parameter: shift_date.
with spans as (
    select t.load_id, min(t.bin_at) as from_at, max(t.bin_at) + interval 30 second as to_at
    from load_trace as t
    inner join load_fact as f on f.load_id = t.load_id and f.machine_id = t.machine_id
    where f.shift_date = $shift_date and t.share > 0
    group by t.load_id
)

select f.load_id, f.machine_id, f.field_id, f.site_id, f.shift_date, f.weighed_at, s.from_at, s.to_at, f.delivered_t, f.trace_quality,
    c.wetness_class, c.soil_class, e.observed_pct, e.expected_pct, e.lo95, e.hi95
from load_fact as f
left join load_class as c using (load_id)
left join spans as s using (load_id)
left join expected_load as e using (load_id)
where f.shift_date = $shift_date
order by natural_order(f.machine_id), s.from_at, natural_order(f.load_id)
