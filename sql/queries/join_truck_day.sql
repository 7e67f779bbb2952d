-- A row is a truck with positions on a UTC day, with the mapping and a file that delivered them. Key: truck_id, day, mapping.
-- Reads received_truck_position, source_file.
select r.truck_id, cast(r.logged_at as date) as day, coalesce(s.mapping, '') as mapping, min(s.file) as file
from received_truck_position as r
inner join source_file as s on s.source_sha256 = r.source_sha256 and s.kind = 'truck_position'
group by all
order by 1, 2, 3
