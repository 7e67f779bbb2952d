-- A row is the pooled, between-visit and within-visit estimate of one setting's effect, percent per practical step, with
-- the correlations of its visit means with conditions; the reason is how the estimates differ.
-- Key: response, setting. Written by the model.
create table if not exists confounding (
    response varchar not null,
    setting varchar not null,
    naive_pct double,
    naive_lo95 double,
    naive_hi95 double,
    between_pct double,
    between_lo95 double,
    between_hi95 double,
    within_pct double,
    within_lo95 double,
    within_hi95 double,
    wetness_balance double,
    clay_balance double,
    reason_code varchar not null,
    reason_args varchar not null
);
