-- A row is what the guide's settings would have saved against the usual ones on all that was lifted this season in one
-- class by one generation; the row with null classes is all of it, its interval from joint draws.
-- Key: generation, wetness_class, soil_class. Written by advice.
create table if not exists guide_worth (
    generation varchar,
    wetness_class varchar,
    soil_class varchar,
    soil_free_t double not null,
    saved double not null,
    lo95 double not null,
    hi95 double not null
);
