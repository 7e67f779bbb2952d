-- A row is the last fit of a response. Key: response. A standard deviation is null where the data cannot tell it apart.
-- variances_from: estimated (in this fit) or last_night (a fit by day: a few steps from the variances of the fit of
-- variances_n rows up to variances_shift_date).
create table if not exists fit_run (
    response varchar not null,
    fitted_at timestamptz not null,
    data_fingerprint varchar not null,
    n bigint not null,
    reml_deviance double not null,
    iterations bigint not null,
    converged boolean not null,
    variances_from varchar not null,
    variances_shift_date date not null,
    variances_n bigint not null,
    residual_sd double not null,
    field_sd double,
    machine_sd double,
    operator_sd double,
    machine_day_sd double,
    site_day_sd double,
    season_sd double
);
