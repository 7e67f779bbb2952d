-- A row is an hour to come at a weather station. Key: station_id, hour_at. Reads received_forecast_hour, arrived_file: of
-- several forecasts the one issued last counts, then the newest file.
create or replace view "forecast_hour" as
select * exclude (source_sha256, line, part, file_at)
from (select r.*, s.file_at from received_forecast_hour as r join arrived_file as s using (source_sha256))
qualify row_number() over (
    partition by station_id, hour_at order by issued_at desc, file_at desc, source_sha256, part, line
) = 1
order by station_id, hour_at;
