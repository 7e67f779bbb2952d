-- A row is a value of a setting in a class: how much more a tonne costs than at the guide's value.
-- Key: generation, wetness_class, soil_class, setting, value. Written by advice.
create table if not exists guide_curve (
    generation varchar not null,
    wetness_class varchar not null,
    soil_class varchar not null,
    setting varchar not null,
    value double not null,
    cost_change_per_t double,
    lo95 double,
    hi95 double
);
