-- A row is a day of a weather station that gives no hours. Key: station_id, day_at. Reads received_weather_day,
-- received_weather_reading (climate archives: tenths of mm and of °C), arrived_file: the newest delivery counts.
create or replace view weather_day as
with reading as (
    select station_id, day_at, element, value
    from received_weather_reading join arrived_file using (source_sha256)
    qualify row_number() over (partition by station_id, day_at, element order by file_at desc, source_sha256, part, line) = 1
),
archived as (
    select station_id, day_at,
        max(value) filter (element = 'TMAX') / 10 as air_temp_max_c, max(value) filter (element = 'TMIN') / 10 as air_temp_min_c,
        null::double as humidity_pct, max(value) filter (element = 'AWND') / 10 as wind_m_s,
        null::double as irradiation_mj_m2, max(value) filter (element = 'PRCP') / 10 as rain_mm
    from reading
    group by station_id, day_at
),
delivered as (
    select r.* exclude (source_sha256, line, part)
    from received_weather_day as r join arrived_file using (source_sha256)
    qualify row_number() over (partition by station_id, day_at order by file_at desc, source_sha256, part, line) = 1
)
select * from delivered
union all by name
select * from archived
where air_temp_max_c is not null and air_temp_min_c is not null and rain_mm is not null
    and (station_id, day_at) not in (select (station_id, day_at) from delivered)
order by station_id, day_at;
