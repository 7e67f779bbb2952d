-- A row is the first position of a truck on a UTC day in a file: what a preview of joins needs of all positions.
-- Key: source_sha256, truck_id, day of logged_at. Reads received_truck_position.
select source_sha256, min(line) as line, cast(null as varchar) as part, truck_id, min(logged_at) as logged_at,
    arg_min(lat_deg, logged_at) as lat_deg, arg_min(lon_deg, logged_at) as lon_deg, cast(null as double) as speed_kmh
from received_truck_position
group by source_sha256, truck_id, cast(logged_at as date)
order by 1, 2
