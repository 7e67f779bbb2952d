-- A row is a machine and what was fitted to it from a date on. Key: machine_id, valid_from_at. Reads received_machine_setup, arrived_file: of several deliveries the newest counts, whatever came first.
create or replace view "machine_setup" as
select * exclude (source_sha256, line, part, file_at)
from (select r.*, s.file_at from received_machine_setup as r join arrived_file as s using (source_sha256))
qualify row_number() over (partition by machine_id, valid_from_at order by file_at desc, source_sha256, part, line) = 1
order by machine_id, valid_from_at;
