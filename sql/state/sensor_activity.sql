-- A row is a setting on a machine-day: if its readings fluctuated, and what the rules would flag by this day alone.
-- Key: machine, day, setting. Written by binning. A setting that is silent on one day and fluctuates on most others of
-- its machine is stuck, not a set point; a rule that flags a setting on most days of its machine asks instead.
create table if not exists sensor_activity (
    machine varchar not null,
    day varchar not null,
    setting varchar not null,
    fluctuates boolean not null,
    stuck boolean not null,
    drift boolean not null
);
