-- A row is an accepted row of a file of root checks.
-- Key: source_sha256, part, line. Written by intake; rows that repeat another file's stay; views pick what counts.
create table if not exists received_root_check (
    source_sha256 varchar not null,
    line bigint not null,
    part varchar,
    check_id varchar not null,
    checked_at timestamptz not null,
    load_id varchar,
    machine_id varchar,
    field_id varchar,
    place varchar,
    checked_roots_count double not null,
    petioles_over_2_cm_count double,
    petioles_up_to_2_cm_count double,
    clean_topped_count double,
    over_topped_count double,
    slanting_count double,
    scalp_diameter_cm double,
    petiole_length_cm double,
    broken_2_4_cm_count double,
    broken_4_6_cm_count double,
    broken_6_8_cm_count double,
    broken_over_8_cm_count double,
    damaged_area_cm2_per_100_roots double,
    slightly_damaged_count double,
    severely_damaged_count double,
    root_mass_kg double
);
