-- A row is a weigh ticket of one load as received, newest first, with file and line. Key: file, part, line.
-- Reads received_load, arrived_file. Parameter: load_id.
select s.file, r.part, r.line, s.file_at, r.revision, r.issued_at, r.cancelled, r.field_id, r.machine_id, r.site_id,
    r.left_field_at, r.weighed_at, r.truck_full_t, r.truck_empty_t, r.delivered_t, r.clean_t, r.truck_id,
    r.trailer_id, r.tared_at, r.gang_id
from received_load as r join arrived_file as s using (source_sha256)
where r.load_id = $load_id
order by r.revision desc, r.issued_at desc nulls last, s.file_at desc, source_sha256, r.part, r.line
