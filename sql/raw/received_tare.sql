-- A row is an accepted row of a lab file; every revision is kept.
-- Key: source_sha256, part, line. Written by intake; rows that repeat another file's stay; views pick what counts.
create table if not exists received_tare (
    source_sha256 varchar not null,
    line bigint not null,
    part varchar,
    sample_id varchar not null,
    revision bigint not null,
    issued_at timestamptz,
    cancelled boolean not null,
    load_id varchar,
    dirt_tare_pct double,
    top_tare_pct double,
    sugar_pct double,
    potassium_mmol_per_kg double,
    sodium_mmol_per_kg double,
    amino_n_mmol_per_kg double,
    sample_kg double,
    sampling_reason varchar,
    root_mass_kg double
);
