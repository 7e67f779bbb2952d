-- A row is a setting on a machine-day, and if its readings fluctuated. Key: machine, day, setting. Written by binning.
-- A setting that is silent on one day and fluctuates on most others of its machine is stuck, not a set point.
create table if not exists sensor_activity (
    machine varchar not null,
    day varchar not null,
    setting varchar not null,
    fluctuates boolean not null
);
