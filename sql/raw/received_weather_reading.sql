-- A row is an accepted row of a climate archive: one daily value of one element, in the archive's unit.
-- Key: source_sha256, part, line. Written by intake; rows that repeat another file's stay; views pick what counts.
create table if not exists received_weather_reading (
    source_sha256 varchar not null,
    line bigint not null,
    part varchar,
    station_id varchar not null,
    day_at timestamptz not null,
    element varchar not null,
    "value" double not null
);
