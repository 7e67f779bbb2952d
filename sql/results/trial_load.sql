-- A row is a load of a split-run trial: its place in the order, the arm and value it was planned for, and the value the
-- tracing found. Key: load_id. Written by trial.
create table if not exists trial_load (
    trial_id varchar not null,
    load_id varchar not null,
    position bigint not null,
    trial_block varchar not null,
    arm varchar not null,
    trial_setting varchar not null,
    trial_value double not null,
    traced_value double
);
