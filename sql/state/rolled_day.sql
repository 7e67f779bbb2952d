-- A row is a machine-day whose records have given way to the bins made of them. Key: machine_id, day.
-- Written by retention, after the lines they stood on were noted on the lake.
create table if not exists rolled_day (
    machine varchar not null,
    machine_id varchar not null,
    day varchar not null,
    records bigint not null,
    rolled_at timestamptz not null
);
