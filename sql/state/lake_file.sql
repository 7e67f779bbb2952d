-- A row is a file of the lake that counts, as it was written. Key: path. Written in the transaction that makes it count.
-- path: inside the lake. kind: telemetry, bin or rolled. source_sha256: of telemetry alone.
create table if not exists lake_file (
    path varchar not null,
    kind varchar not null,
    source_sha256 varchar,
    machine varchar not null,
    day varchar not null,
    size_bytes bigint not null,
    sha256 varchar not null
);
