-- A row is a faulty sensor by machine and fault; lasting faults come first. Key: machine_id, setting, fault_code.
-- Reads sensor_fault.
select machine_id, setting, fault_code, sum(records)::bigint as records, count(*) as days, min(from_at) as from_at, max(to_at) as to_at
from sensor_fault
group by machine_id, setting, fault_code
order by fault_code in ('stuck', 'drift', 'clock_step', 'off_position') desc, records desc, natural_order(machine_id), setting
limit 12
