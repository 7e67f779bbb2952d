-- A row is something a person should know of how a file was read: clocks, scales, encodings. Written by intake.
create table if not exists source_finding (
    source_sha256 varchar not null,
    file varchar not null,
    says varchar not null
);
