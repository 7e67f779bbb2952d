-- A row is a machine as it is fitted now. Key: machine_id. Reads received_machine_setup.
create or replace view machine as
select * exclude (source_sha256, line, received_at)
from received_machine_setup
qualify row_number() over (partition by machine_id order by valid_from_at desc, received_at desc) = 1
order by machine_id;
