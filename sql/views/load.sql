-- A row is a weigh ticket. Key: load_id. Reads received_load: of several deliveries the newest counts.
create or replace view "load" as
select * exclude (source_sha256, line, received_at)
from received_load
qualify row_number() over (partition by load_id order by received_at desc, source_sha256, line) = 1
order by load_id;
