-- A row is an accepted row of a machine list: what was fitted from a date on.
-- Key: source_sha256, part, line. Written by intake; rows that repeat another file's stay; views pick what counts.
create table if not exists received_machine_setup (
    source_sha256 varchar not null,
    line bigint not null,
    part varchar,
    machine_id varchar not null,
    valid_from_at timestamptz not null,
    generation varchar not null,
    operator_id varchar,
    rows_count double not null,
    row_spacing_cm double not null,
    tank_capacity_t double not null,
    cleaning_elements varchar,
    cleaner_1_elements varchar,
    cleaner_2_elements varchar,
    cleaner_3_elements varchar,
    cleaner_4_elements varchar
);
