-- A row is a row of a file that was not accepted, with the rule it broke. Key: source_sha256, mapping, part, line, rule. Written
-- by intake. mapping: the mapping that read it; null if none matches the file.
-- reason_code, reason_args (JSON): the reason in words; a row that broke several rules of its kind has the others in also.
create table if not exists rejected_row (
    source_sha256 varchar not null,
    file varchar not null,
    mapping varchar,
    part varchar,
    line bigint not null,
    "column" varchar,
    raw varchar,
    rule varchar not null,
    reason_code varchar not null,
    reason_args varchar not null
);
