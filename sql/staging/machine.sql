-- A row is a machine as it is fitted now. Key: machine_id. Reads received_machine_setup, arrived_file: of several deliveries the newest counts, whatever came first.
create or replace view "machine" as
select * exclude (source_sha256, line, part, file_at)
from (select r.*, s.file_at from received_machine_setup as r join arrived_file as s using (source_sha256))
qualify row_number() over (partition by machine_id order by valid_from_at desc, file_at desc, source_sha256, part, line) = 1
order by machine_id;
