-- A row is an accepted row of a field list.
-- Key: source_sha256, part, line. Written by intake; rows that repeat another file's stay; views pick what counts.
create table if not exists received_field (
    source_sha256 varchar not null,
    line bigint not null,
    part varchar,
    field_id varchar not null,
    grower_id varchar not null,
    station_id varchar not null,
    lat_deg double not null,
    lon_deg double not null,
    area_ha double not null,
    sand_pct double not null,
    clay_pct double not null,
    organic_matter_pct double not null,
    yield_t_ha double not null,
    row_spacing_cm double not null,
    boundary varchar,
    stand_plants_per_ha double
);
