-- A row is an accepted row of a weigh-ticket file; a corrected delivery adds rows, none is changed.
-- Key: source_sha256, line. Written by intake; views pick what counts.
create table if not exists received_load (
    source_sha256 varchar not null,
    line bigint not null,
    received_at timestamptz not null,
    load_id varchar not null,
    field_id varchar not null,
    machine_id varchar,
    site_id varchar not null,
    left_field_at timestamptz,
    weighed_at timestamptz not null,
    gross_t double not null,
    net_t double not null
);
