-- A row is a load with its grade, the machine it was traced to, what its ticket names, and the number of machines that loads of
-- its field and shift day were traced to. Key: load_id. Reads load, load_trace_grade, load_setting.
select
    l.load_id, l.field_id, l.machine_id, l.truck_id, coalesce(g.trace_quality, 0) as trace_quality,
    s.machine_id as traced_machine_id,
    count(distinct s.machine_id) over (partition by l.field_id, cast(l.weighed_at as date)) as machines
from "load" as l
left join load_trace_grade as g using (load_id)
left join load_setting as s using (load_id)
order by l.load_id
