-- A row is a faulty sensor by machine and reason; lasting faults come first. Key: machine_id, setting, reason.
-- Reads sensor_fault.
select machine_id, setting, reason, sum(records)::bigint as records, count(*) as days, min(from_at) as from_at, max(to_at) as to_at
from sensor_fault
group by machine_id, setting, reason
order by reason in ('stuck', 'drift', 'clock_step', 'off_position') desc, records desc, natural_order(machine_id), setting
limit 12
