-- A row is an hour of a weather station. Key: station_id, hour_at. Reads received_weather_hour, arrived_file: of several deliveries the newest counts, whatever came first.
create or replace view "weather_hour" as
select * exclude (source_sha256, line, part, file_at)
from (select r.*, s.file_at from received_weather_hour as r join arrived_file as s using (source_sha256))
qualify row_number() over (partition by station_id, hour_at order by file_at desc, source_sha256, part, line) = 1
order by station_id, hour_at;
