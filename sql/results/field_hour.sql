-- A row is an hour of a field: wetness of its topsoil, air temperature and its mean of the last ten days, rain of the
-- last 24 and 72 hours.
-- Key: field_id, hour_at. Written by conditions.
create table if not exists field_hour (
    field_id varchar not null,
    hour_at timestamptz not null,
    topsoil_wetness double,
    air_temp_c double,
    air_temp_10d_c double,
    rain_24h_mm double,
    rain_72h_mm double
);
