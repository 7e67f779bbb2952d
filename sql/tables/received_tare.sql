-- A row is an accepted row of a lab file; every revision is kept.
-- Key: source_sha256, line. Written by intake; views pick what counts.
create table if not exists received_tare (
    source_sha256 varchar not null,
    line bigint not null,
    received_at timestamptz not null,
    sample_id varchar not null,
    load_id varchar not null,
    revision bigint not null,
    dirt_tare_pct double not null,
    top_tare_pct double,
    sugar_pct double,
    potassium_mmol_per_kg double,
    sodium_mmol_per_kg double,
    amino_n_mmol_per_kg double,
    sample_kg double
);
