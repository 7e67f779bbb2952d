-- A row is a load of a split-run trial: its place in the order, the arm and value it was planned for, and the value the
-- tracing found. Of a trial of fitted parts, position is the place of the load's day among those of its machine, trial_block the
-- pair of days, and the values are 1 with the part on trial, else 0, traced_value by the machine list. Key: load_id. Written by
-- trial.
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
