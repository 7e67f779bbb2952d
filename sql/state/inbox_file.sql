-- A row is a file of the inbox as it was last looked at, so that an unchanged one is not read again. Key: file.
create table if not exists inbox_file (
    file varchar not null,
    size_bytes bigint not null,
    changed_ns bigint not null,
    source_sha256 varchar not null
);
