-- A row is something a person should know of how a file was read: clocks, scales, encodings. Written by intake.
-- reason_code, reason_args (JSON): the finding.
create table if not exists source_finding (
    source_sha256 varchar not null,
    file varchar not null,
    reason_code varchar not null,
    reason_args varchar not null
);
