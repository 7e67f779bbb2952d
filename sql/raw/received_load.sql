-- A row is an accepted row of a weigh-ticket file; a correction or cancellation adds rows, none is changed.
-- Key: source_sha256, part, line. Written by intake; rows that repeat another file's stay; views pick what counts.
create table if not exists received_load (
    source_sha256 varchar not null,
    line bigint not null,
    part varchar,
    load_id varchar not null,
    revision bigint not null,
    issued_at timestamptz,
    cancelled boolean not null,
    field_id varchar,
    machine_id varchar,
    site_id varchar,
    left_field_at timestamptz,
    weighed_at timestamptz,
    truck_full_t double,
    truck_empty_t double,
    delivered_t double,
    clean_t double,
    truck_id varchar,
    trailer_id varchar,
    tared_at timestamptz,
    gang_id varchar
);
