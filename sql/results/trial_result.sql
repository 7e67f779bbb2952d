-- A row is a response of a trial that was read: its change from arm A to arm B by randomisation inference.
-- effect_pct, lo95, hi95, p_value: by planned arm. traced_*: by the traced settings, for the planned difference; traced_share: mean
-- traced difference over the planned one; traced_reason_*: why it is used, or why not. reading_code: the reading that applies, planned
-- or traced. e_value: evidence that may be looked at after any pair; stop_code, only of the response that decides it: trial_may_stop,
-- trial_carry_on or trial_ended. anytime_*: interval by planned arm that may be looked at after any pair, null before it excludes
-- anything. Of a trial of fitted parts, pairs are pairs of days, setting is the column of the machine list, part_a and part_b are
-- the parts, value_a and value_b 0 and 1, wetness_class the topsoil of its days, null for all, machine_id its machines, joined by
-- ", ", and field_id is empty. Key: trial_id, response. Written by trial.
create table if not exists trial_result (
    trial_id varchar not null,
    machine_id varchar not null,
    field_id varchar not null,
    shift_date date not null,
    setting varchar not null,
    value_a double not null,
    value_b double not null,
    part_a varchar,
    part_b varchar,
    wetness_class varchar,
    response varchar not null,
    pairs bigint not null,
    effect_pct double,
    lo95 double,
    hi95 double,
    p_value double,
    anytime_lo95 double,
    anytime_hi95 double,
    strayed bigint not null,
    traced_pairs bigint,
    traced_share double,
    traced_effect_pct double,
    traced_lo95 double,
    traced_hi95 double,
    traced_reason_code varchar,
    traced_reason_args varchar,
    reading_code varchar not null,
    e_value double,
    stop_code varchar,
    reason_code varchar not null,
    reason_args varchar not null
);
