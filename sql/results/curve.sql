-- A row is a point of a setting's curve: percent change of the response from the setting's usual value, with a band that
-- contains the whole curve; the reason of a row without support is why there is none.
-- Key: response, setting, wetness_class, soil_class, value. Written by the model.
create table if not exists curve (
    response varchar not null,
    setting varchar not null,
    wetness_class varchar,
    soil_class varchar,
    value double,
    unit varchar not null,
    mean double,
    lo95 double,
    hi95 double,
    tried boolean not null,
    reason_code varchar not null,
    reason_args varchar not null
);
