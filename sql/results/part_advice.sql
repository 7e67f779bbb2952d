-- A row is a change of fitted parts that may pay in the days ahead with a forecast. verdict: fit, or trial if the
-- comparison is not enough for advice; trial_pairs: pairs of machine-days by lot, one day with each part, that would detect
-- trial_detect_pct, null if more than 200 are needed; trial_cost: their expected cost in the workshop; gain: of all days from
-- from_date to to_date, less the workshop.
-- Key: machine_id, place. Written by advice.
create table if not exists part_advice (
    machine_id varchar not null,
    field_id varchar not null,
    place varchar not null,
    part_now varchar not null,
    part varchar not null,
    from_date date not null,
    to_date date not null,
    wetness_class varchar not null,
    change_pct double not null,
    lo95 double not null,
    hi95 double not null,
    machines bigint not null,
    n bigint not null,
    clean_t double not null,
    workshop_cost double not null,
    gain double not null,
    gain_lo95 double not null,
    gain_hi95 double not null,
    probability_better double not null,
    trial_pairs bigint,
    trial_detect_pct double not null,
    trial_cost double,
    verdict varchar not null,
    reason_code varchar not null,
    reason_args varchar not null
);
