-- A row is an emptying of a tank on a UTC day. Key: machine_id, started_at. Reads unload_event. Parameter: day.
select machine_id, started_at
from unload_event
where day = $day
order by machine_id, started_at
