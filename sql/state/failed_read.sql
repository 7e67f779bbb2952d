-- A row is a file whose reader failed, by itself or ended from outside. Key: source_sha256. Written by intake.
-- It has one row in rejected_row by the rule reason_code. failures: how often in a row, with the same mapping and program;
-- after the second the file is not read again until one of them or its content changes.
create table if not exists failed_read (
    source_sha256 varchar primary key,
    file varchar not null,
    mapping_fingerprint varchar not null,
    program varchar not null,
    reason_code varchar not null,
    failures bigint not null,
    last_failed_at timestamptz not null
);
