-- A row is a machine's clock against the weighbridges'. Key: machine_id. Written by trace.
create table if not exists clock_offset (
    machine_id varchar not null,
    offset_min double not null,
    lo95 double not null,
    hi95 double not null,
    n bigint not null,
    corrected boolean not null
);
