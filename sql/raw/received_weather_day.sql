-- A row is an accepted row of a file of daily weather; the day is named by its midnight.
-- Key: source_sha256, part, line. Written by intake; rows that repeat another file's stay; views pick what counts.
create table if not exists received_weather_day (
    source_sha256 varchar not null,
    line bigint not null,
    part varchar,
    station_id varchar not null,
    day_at timestamptz not null,
    air_temp_max_c double not null,
    air_temp_min_c double not null,
    humidity_pct double,
    wind_m_s double,
    irradiation_mj_m2 double,
    rain_mm double not null
);
