-- A row is what one practical step up of one setting does to a response in a class of conditions (null class = all).
-- reason_code is effect_within_visits or effect_confounded, or why there is no estimate.
-- Key: response, setting, wetness_class, soil_class. Written by the model.
create table if not exists effect (
    response varchar not null,
    setting varchar not null,
    wetness_class varchar,
    soil_class varchar,
    step double not null,
    unit varchar not null,
    change_pct double,
    lo95 double,
    hi95 double,
    p_value double,
    df double,
    q_value double,
    n bigint not null,
    tried_lo double,
    tried_hi double,
    between_pct double,
    reason_code varchar,
    reason_args varchar
);
