-- A row is a class of conditions for one generation of machines: dirt, root loss and cost expected at the guide's settings,
-- and what they save against the usual ones.
-- Key: generation, wetness_class, soil_class. Written by advice.
create table if not exists guide_class (
    generation varchar not null,
    wetness_class varchar not null,
    soil_class varchar not null,
    n bigint,
    dirt_pct double,
    dirt_lo95 double,
    dirt_hi95 double,
    root_loss_t_ha double,
    root_loss_lo95 double,
    root_loss_hi95 double,
    cost_per_t double,
    cost_lo95 double,
    cost_hi95 double,
    saved_per_t double,
    saved_lo95 double,
    saved_hi95 double,
    reason_code varchar not null,
    reason_args varchar not null
);
