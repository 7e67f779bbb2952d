-- A row is a load without any trace row, not even an untraced remainder. Reads load, load_trace.
select l.load_id
from "load" as l
left join load_trace as t using (load_id)
where t.load_id is null
