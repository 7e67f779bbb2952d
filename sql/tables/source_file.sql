-- A row is a file received. Key: source_sha256. Written by intake.
-- rows_in = rows_accepted + rows_rejected + rows_repeated, always.
create table if not exists source_file (
    source_sha256 varchar primary key,
    file varchar not null,
    kind varchar,
    mapping varchar,
    rows_in bigint not null,
    rows_accepted bigint not null,
    rows_rejected bigint not null,
    rows_repeated bigint not null,
    received_at timestamptz not null
);
