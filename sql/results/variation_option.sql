-- A row is a numeric setting of a machine before its next shift: the levels between which it may be varied, and what is
-- believed about one step of it; or the reason why it is not varied, with null in all of these.
-- base_value: advised value, else the present one, within the levels. gain_per_t: expected saving of a step in the better
-- direction; learnable_sd_per_t: its standard deviation as far as response, which loads measure, explains it; per_log:
-- change of the saving with the log change of that response; loss_per_t: mean additional cost of both levels. Money is in
-- the season's currency per tonne of clean beet. Key: machine_id, setting. Written by advice.
create table if not exists variation_option (
    machine_id varchar not null,
    field_id varchar not null,
    shift_date date not null,
    wetness_class varchar not null,
    soil_class varchar not null,
    setting varchar not null,
    unit varchar not null,
    step double not null,
    base_value double,
    low_value double,
    high_value double,
    tried_lo double,
    tried_hi double,
    response varchar,
    gain_per_t double,
    learnable_sd_per_t double,
    per_log double,
    loss_per_t double,
    reason_code varchar not null,
    reason_args varchar not null
);
