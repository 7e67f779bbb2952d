-- A row is a load of a variation plan and a setting varied in it: its place in the machine's order from 0, its pair, the
-- value planned, and the value that tracing found. is_followed: traced closer to its own level than to the other one;
-- is_counted: its pair counts as varied by plan, because the traced difference is half of the planned one or more.
-- Key: load_id, setting. Written by variation.
create table if not exists varied_load (
    plan_id varchar not null,
    load_id varchar not null,
    machine_id varchar not null,
    field_id varchar not null,
    shift_date date not null,
    position bigint not null,
    variation_block varchar not null,
    setting varchar not null,
    planned_value double not null,
    traced_value double,
    is_followed boolean,
    is_counted boolean not null,
    reason_code varchar not null,
    reason_args varchar not null
);
