-- A row is a file received and a mapping that read it, or that was refused; without a mapping, one row. Key:
-- source_sha256, mapping. Written by intake. mapping_fingerprint: of this mapping; matched_fingerprint: of all that match
-- the file, so that it is read again when one of them changes.
-- rows_in = rows_accepted + rows_rejected + rows_repeated, always. file_at: when the file was made, by its name or by
-- its time of change; from_at, to_at: the time its accepted rows tell of.
create table if not exists source_file (
    source_sha256 varchar not null,
    file varchar not null,
    kind varchar,
    mapping varchar,
    mapping_fingerprint varchar,
    matched_fingerprint varchar,
    header varchar not null,
    rows_in bigint not null,
    rows_accepted bigint not null,
    rows_rejected bigint not null,
    rows_repeated bigint not null,
    file_at timestamptz not null,
    from_at timestamptz,
    to_at timestamptz,
    received_at timestamptz not null,
    unique (source_sha256, mapping)
);
