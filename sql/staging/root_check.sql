-- A row is a root check. Key: check_id. Reads received_root_check, arrived_file: of several deliveries the newest counts, whatever came first.
create or replace view "root_check" as
select * exclude (source_sha256, line, part, file_at)
from (select r.*, s.file_at from received_root_check as r join arrived_file as s using (source_sha256))
qualify row_number() over (partition by check_id order by file_at desc, source_sha256, part, line) = 1
order by check_id;
