-- A row is one of the dirtiest loads of a shift for their conditions. Key: load_id.
-- weighed_true_at is by the corrected clock of the weighbridge.
-- Reads load_fact, load_weighed, expected_load. Parameter: shift_date.
select
    f.load_id, f.machine_id, f.field_id, coalesce(w.weighed_true_at, f.weighed_at) as weighed_true_at, f.trace_quality,
    f.topsoil_wetness, f.clay_pct,
    e.observed_pct, e.expected_pct, e.lo95, e.hi95
from expected_load as e
inner join load_fact as f using (load_id)
left join load_weighed as w using (load_id)
where f.shift_date = $shift_date
order by e.observed_pct - e.expected_pct desc, f.load_id
limit 5
