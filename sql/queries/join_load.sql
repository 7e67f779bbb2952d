-- A row is a weigh ticket that counts, with its shift day and the newest file that delivered it. Key: load_id.
-- Reads load, received_load, source_file. Parameters: zone, shift_starts.
with delivered as (
    select r.load_id, arg_max(s.mapping, s.file_at) as mapping, arg_max(s.file, s.file_at) as file, max(s.file_at) as file_at
    from received_load as r
    inner join source_file as s using (source_sha256)
    where s.kind = 'load'
    group by r.load_id
)
select
    l.load_id, l.field_id, l.machine_id, l.truck_id, l.site_id, l.weighed_at, l.delivered_t, l.clean_t,
    cast((coalesce(l.left_field_at, l.weighed_at) at time zone $zone) - $shift_starts as date) as day,
    coalesce(d.mapping, '') as mapping, d.file, d.file_at
from "load" as l
inner join delivered as d using (load_id)
order by l.load_id
