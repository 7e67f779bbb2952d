-- A row is a time this warehouse was brought up to a later layout of tables. Key: upgraded_at.
create table if not exists upgrade (
    upgraded_at timestamptz not null,
    from_layout varchar not null,
    to_layout varchar not null
);
