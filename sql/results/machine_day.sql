-- A row is a machine-day as its bins tell: when it logged, how long it worked, what it covered. Key: machine, day.
-- Written from the lake; fingerprint is that of binned_day.
create table if not exists machine_day (
    machine varchar not null,
    day varchar not null,
    machine_id varchar not null,
    first_at timestamptz not null,
    last_at timestamptz not null,
    bins bigint not null,
    working_h double not null,
    area_ha double not null,
    fingerprint varchar not null
);
