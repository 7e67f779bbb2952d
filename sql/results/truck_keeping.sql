-- A row is the evidence of a stretch of work on the share of trips that trucks make for any machine, whichever comes: the log likelihood of that share, with a maximum of 0. Kinds: vehicle (trips of a truck), gang (trucks of a gang).
-- Key: field_id, shift_date, kind_code, stray_share. Written by trace.
create table if not exists truck_keeping (
    field_id varchar not null,
    shift_date date not null,
    kind_code varchar not null,
    stray_share double not null,
    log_likelihood double not null
);
