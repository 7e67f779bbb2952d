-- A row is a machine-day whose row in machine_day does not match its current bins. Key: machine, day.
-- Reads binned_day, machine_day.
select b.machine, b.day, b.fingerprint
from binned_day as b
left join machine_day as d on d.machine = b.machine and d.day = b.day and d.fingerprint = b.fingerprint
where d.machine is null
order by b.machine, b.day
