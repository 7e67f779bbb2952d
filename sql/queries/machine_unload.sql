-- A row is an unload of one machine's tank within a time range.
-- Key: started_at. Reads unload_event. Parameters: machine_id, from_at, to_at.
select started_at, ended_at, found_by
from unload_event
where machine_id = $machine_id and started_at between $from_at and $to_at
order by started_at
