-- A row is an accepted row of a file of truck positions.
-- Key: source_sha256, part, line. Written by intake; rows that repeat another file's stay; views pick what counts.
create table if not exists received_truck_position (
    source_sha256 varchar not null,
    line bigint not null,
    part varchar,
    truck_id varchar not null,
    logged_at timestamptz not null,
    lat_deg double not null,
    lon_deg double not null,
    speed_kmh double
);
