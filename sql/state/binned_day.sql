-- A row is a machine-day whose bins are made. Key: machine, day. The fingerprint covers all it was made from.
create table if not exists binned_day (
    machine varchar not null,
    day varchar not null,
    fingerprint varchar not null
);
