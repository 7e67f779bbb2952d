-- A row is a setting on a machine-day whose set point, or whose two sides, are logged too: their mean difference over
-- the bins with both. kind: set (reached less set) or sides (left less right). Key: machine, day, setting, kind.
-- Written by binning.
create table if not exists set_point_day (
    machine varchar not null,
    day varchar not null,
    machine_id varchar not null,
    setting varchar not null,
    kind varchar not null,
    gap double not null,
    bins bigint not null
);
