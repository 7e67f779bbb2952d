-- A row is a machine and what was fitted to it from a date on. Key: machine_id, valid_from_at. Reads received_machine_setup: of several deliveries the newest counts.
create or replace view "machine_setup" as
select * exclude (source_sha256, line, received_at)
from received_machine_setup
qualify row_number() over (partition by machine_id, valid_from_at order by received_at desc, source_sha256, line) = 1
order by machine_id, valid_from_at;
