-- A row is a hour of a weather station. Key: station_id, hour_at. Reads received_weather_hour: of several deliveries the newest counts.
create or replace view "weather_hour" as
select * exclude (source_sha256, line, received_at)
from received_weather_hour
qualify row_number() over (partition by station_id, hour_at order by received_at desc, source_sha256, line) = 1
order by station_id, hour_at;
