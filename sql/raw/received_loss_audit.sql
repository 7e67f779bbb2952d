-- A row is an accepted row of a dig-behind audit file.
-- Key: source_sha256, part, line. Written by intake; rows that repeat another file's stay; views pick what counts.
create table if not exists received_loss_audit (
    source_sha256 varchar not null,
    line bigint not null,
    part varchar,
    audit_id varchar not null,
    machine_id varchar not null,
    field_id varchar not null,
    audited_at timestamptz not null,
    plot_m2 double not null,
    broken_2_4_cm_count double not null,
    broken_4_6_cm_count double not null,
    broken_6_8_cm_count double not null,
    broken_over_8_cm_count double not null,
    whole_roots_count double not null,
    root_mass_kg double not null
);
