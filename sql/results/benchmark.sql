-- A row is a machine, operator, grower, field or season: what it delivered against what its conditions lead one to
-- expect, in the response's unit. observed - expected = from_settings + from_outliers + unexplained, exactly
-- (from_outliers: what outlying loads were Huberised by); the interval is of unexplained, the shrunken one is what
-- ranks and `standing` rest on (lower, usual, higher: the code that texts and charts share; null, with the rank, for
-- fewer than 30 rows). reason_code is null if the subject is compared, else few_loads, same_as_machine or only_one.
-- last_shift_date is the last shift of the fit.
-- Key: response, subject_kind, subject_id. Written by benchmark.
create table if not exists benchmark (
    subject_kind varchar not null,
    subject_id varchar not null,
    response varchar not null,
    observed double,
    expected double,
    from_conditions double,
    from_settings double,
    from_outliers double,
    unexplained double,
    lo95 double,
    hi95 double,
    shrunken double,
    shrunken_lo95 double,
    shrunken_hi95 double,
    rank bigint,
    rank_lo95 bigint,
    rank_hi95 bigint,
    subjects bigint,
    limit_95 double,
    limit_998 double,
    overdispersion double,
    funnel varchar,
    standing varchar,
    reason_code varchar,
    reason_args varchar,
    n bigint not null,
    last_shift_date date
);
