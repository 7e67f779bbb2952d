-- A row is a trial that was read: the change of dirt from arm A to arm B by randomisation inference. Key: trial_id.
-- Written by trial.
create table if not exists trial_result (
    trial_id varchar not null,
    machine_id varchar not null,
    field_id varchar not null,
    shift_date date not null,
    setting varchar not null,
    value_a double not null,
    value_b double not null,
    pairs bigint not null,
    effect_pct double,
    lo95 double,
    hi95 double,
    p_value double,
    strayed bigint not null,
    reason_code varchar not null,
    reason_args varchar not null
);
