-- A row is a field. Key: field_id. Reads received_field, received_field_boundary, arrived_file: of several deliveries
-- the newest counts; an outline that came apart from the field list replaces one the list lacks.
create or replace view "field" as
with boundary as (
    select field_id, boundary as outline
    from received_field_boundary join arrived_file using (source_sha256)
    qualify row_number() over (partition by field_id order by file_at desc, source_sha256, part, line) = 1
),
listed as (
    select r.*, s.file_at from received_field as r join arrived_file as s using (source_sha256)
    qualify row_number() over (partition by field_id order by file_at desc, source_sha256, part, line) = 1
)
select l.* exclude (source_sha256, line, part, file_at, boundary), coalesce(l.boundary, b.outline) as boundary
from listed as l left join boundary as b using (field_id)
order by field_id;
