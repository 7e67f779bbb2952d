-- A row is a stretch of one sensor or clock of one machine that is not believed. Key: machine_id, setting, fault_code, from_at.
-- `size` is the minutes by which a clock jumps.
create table if not exists sensor_fault (
    machine varchar not null,
    day varchar not null,
    machine_id varchar not null,
    setting varchar not null,
    fault_code varchar not null,
    from_at timestamptz not null,
    to_at timestamptz not null,
    records bigint not null,
    size double
);
