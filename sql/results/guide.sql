-- A row is a setting in a class of conditions for one generation of machines: where to start, the range that does not
-- differ from it, what was tried.
-- Key: generation, wetness_class, soil_class, setting. Written by advice.
create table if not exists guide (
    generation varchar not null,
    wetness_class varchar not null,
    soil_class varchar not null,
    setting varchar not null,
    unit varchar,
    start_value double,
    range_lo double,
    range_hi double,
    tried_lo double,
    tried_hi double,
    usual_value double,
    n bigint,
    reason_code varchar not null,
    reason_args varchar not null
);
