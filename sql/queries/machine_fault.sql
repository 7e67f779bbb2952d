-- A row is a lasting fault of one machine: a stuck or drifting sensor, a speed contradicted by positions,
-- or a clock jump. Key: machine_id, setting, fault_code.
-- Reads sensor_fault.
select machine_id, setting, fault_code, count(*) as days
from sensor_fault
where fault_code in ('stuck', 'drift', 'clock_step', 'off_position')
group by machine_id, setting, fault_code
order by natural_order(machine_id), setting, fault_code
