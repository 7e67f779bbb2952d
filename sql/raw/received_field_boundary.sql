-- A row is an accepted row of a file of field outlines.
-- Key: source_sha256, part, line. Written by intake; rows that repeat another file's stay; views pick what counts.
create table if not exists received_field_boundary (
    source_sha256 varchar not null,
    line bigint not null,
    part varchar,
    field_id varchar not null,
    boundary varchar not null
);
