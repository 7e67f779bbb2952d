-- A row is a setting of a machine and the mean difference between its reached value and its set point (kind set), or
-- between left and right (kind sides), over its days; sd between days. Key: machine_id, setting, kind. Written by the
-- stage of marts from set_point_day.
create table if not exists set_point_offset (
    machine_id varchar not null,
    setting varchar not null,
    kind varchar not null,
    gap double not null,
    lo95 double,
    hi95 double,
    sd double,
    days bigint not null,
    bins bigint not null,
    reason_code varchar not null,
    reason_args varchar not null
);
