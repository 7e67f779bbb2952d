-- A row is a load drawn from the emptyings and lags of a stretch of work and traced like those that were weighed, or a load traced with machine and departure on its ticket hidden: the part of its mass expected to be where it is said to be, before calibration, and the part that is, by its truth or its ticket.
-- Key: field_id, shift_date, load_id. Written by trace.
create table if not exists trace_replicate (
    field_id varchar not null,
    shift_date date not null,
    load_id varchar not null,
    site_id varchar not null,
    kind_code varchar not null,
    claimed_quality double not null,
    overlap double not null
);
