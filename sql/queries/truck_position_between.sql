-- A row is a position of a truck within a span of time. Key: truck_id, logged_at. Reads truck_position. Parameters: first, last.
select truck_id, logged_at, lat_deg, lon_deg
from truck_position
where logged_at between $first and $last
order by truck_id, logged_at
