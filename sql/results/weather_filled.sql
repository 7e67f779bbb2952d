-- A row is an hour of a station, complete; Key: station_id, hour_at. filled says by which rule a gap was closed.
create table if not exists weather_filled (
    station_id varchar not null,
    hour_at timestamptz not null,
    air_temp_c double not null,
    humidity_pct double not null,
    wind_m_s double not null,
    irradiation_mj_m2 double not null,
    rain_mm double not null,
    filled varchar
);
