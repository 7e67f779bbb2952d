-- A row is a file received. Key: source_sha256. Written by intake.
-- rows_in = rows_accepted + rows_rejected + rows_repeated, always. file_at: when the file was made, by its name or by
-- its time of change; from_at, to_at: the time its accepted rows tell of.
create table if not exists source_file (
    source_sha256 varchar primary key,
    file varchar not null,
    kind varchar,
    mapping varchar,
    mapping_fingerprint varchar,
    header varchar not null,
    rows_in bigint not null,
    rows_accepted bigint not null,
    rows_rejected bigint not null,
    rows_repeated bigint not null,
    file_at timestamptz not null,
    from_at timestamptz,
    to_at timestamptz,
    received_at timestamptz not null
);
