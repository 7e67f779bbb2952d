-- A row is a machine-day that has bins in a field: what a field's tracing reads. Key: machine, day, field_id. Written by binning.
create table if not exists field_day (
    machine varchar not null,
    day varchar not null,
    field_id varchar not null
);
