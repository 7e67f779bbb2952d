-- A row is a machine and a source of dirt in one shift: mean contribution to the dirt of its measured loads, in
-- percentage points. Key: machine_id, source. Reads load_why, load_fact. Parameter: shift_date.
select f.machine_id, w.source, avg(w.points) as points
from load_why as w
inner join load_fact as f using (load_id)
where f.shift_date = $shift_date and f.machine_id is not null
group by f.machine_id, w.source
order by natural_order(f.machine_id), points desc, w.source
