-- A row is a field of the field list, with the newest file that delivered it. Key: field_id.
-- Reads field, received_field, source_file.
with delivered as (
    select r.field_id, arg_max(s.mapping, s.file_at) as mapping, arg_max(s.file, s.file_at) as file
    from received_field as r
    inner join source_file as s using (source_sha256)
    where s.kind = 'field'
    group by r.field_id
)
select f.field_id, f.area_ha, f.yield_t_ha, coalesce(d.mapping, '') as mapping, d.file
from "field" as f
inner join delivered as d using (field_id)
order by f.field_id
