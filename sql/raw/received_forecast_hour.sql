-- A row is an accepted row of a forecast file; the hour is named by its start.
-- Key: source_sha256, part, line. Written by intake; rows that repeat another file's stay; views pick what counts.
create table if not exists received_forecast_hour (
    source_sha256 varchar not null,
    line bigint not null,
    part varchar,
    station_id varchar not null,
    hour_at timestamptz not null,
    issued_at timestamptz not null,
    air_temp_c double not null,
    humidity_pct double,
    wind_m_s double,
    irradiation_mj_m2 double,
    rain_mm double not null
);
