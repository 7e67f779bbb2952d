-- A row is a field. Key: field_id. Reads received_field: of several deliveries the newest counts.
create or replace view "field" as
select * exclude (source_sha256, line, received_at)
from received_field
qualify row_number() over (partition by field_id order by received_at desc, source_sha256, line) = 1
order by field_id;
