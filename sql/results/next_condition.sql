-- A row is a field in the working hours of the next shift: means of topsoil wetness, of air temperature and
-- of its mean of the ten days before, by forecast or persistence.
-- Key: field_id. `rain_mm`: forecast rain of the 24 h before the last of them. Written by advice.
create table if not exists next_condition (
    field_id varchar not null,
    shift_date date not null,
    topsoil_wetness double,
    air_temp_c double,
    air_temp_10d_c double,
    rain_mm double,
    outlook varchar not null
);
