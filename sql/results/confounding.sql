-- A row is what pooled, between-visit and within-visit readings say of one setting, percent per practical step, and how
-- its visit means follow conditions. Key: response, setting. Written by the model.
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
    says varchar not null
);
