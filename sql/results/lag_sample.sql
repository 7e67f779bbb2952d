-- A row is what the loads of one stretch of work tell of lags and clocks: their median minutes from full to weighed, and from full to leaving.
-- `leave_min` counts from the last emptying before the departure, `full_to_left_min` from the load's own, so that it may be negative.
-- Key: field_id, shift_date, machine_id, site_id. Written by trace.
create table if not exists lag_sample (
    field_id varchar not null,
    shift_date date not null,
    machine_id varchar,
    site_id varchar not null,
    km double not null,
    n bigint not null,
    lag_min double not null,
    lag_spread_min double not null,
    leave_min double,
    leave_spread_min double,
    leave_n bigint not null,
    drive_spread_min double,
    drive_n bigint not null,
    late_n bigint not null,
    full_to_left_min double,
    closure double not null,
    has_signal boolean not null
);
