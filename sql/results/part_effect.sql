-- A row is a comparison of two fitted parts on the machines that ran with both; a positive wetness gap means wetter days with
-- the first. place: all cleaning stages, or one; wetness_class: null for all days; pairs: pairs of days of trials, by lot, null for a
-- comparison between days as they came.
-- Key: response, place, part, compared_with, wetness_class. Written by the model.
create table if not exists part_effect (
    response varchar not null,
    place varchar not null,
    part varchar not null,
    compared_with varchar not null,
    wetness_class varchar,
    change_pct double,
    lo95 double,
    hi95 double,
    machines bigint not null,
    n bigint not null,
    pairs bigint,
    wetness_gap double,
    reason_code varchar not null,
    reason_args varchar not null
);
