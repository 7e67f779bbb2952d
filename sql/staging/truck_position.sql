-- A row is the position of a truck at an instant. Key: truck_id, logged_at. Reads received_truck_position, arrived_file:
-- of several deliveries the newest counts, whatever came first.
create or replace view "truck_position" as
select * exclude (source_sha256, line, part, file_at)
from (select r.*, s.file_at from received_truck_position as r join arrived_file as s using (source_sha256))
qualify row_number() over (partition by truck_id, logged_at order by file_at desc, source_sha256, part, line) = 1
order by truck_id, logged_at;
