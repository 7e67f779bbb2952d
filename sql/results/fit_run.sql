-- A row is the last fit of a response. Key: response. A standard deviation is null where the data cannot tell it apart.
create table if not exists fit_run (
    response varchar not null,
    fitted_at timestamptz not null,
    data_fingerprint varchar not null,
    n bigint not null,
    reml_deviance double not null,
    iterations bigint not null,
    converged boolean not null,
    residual_sd double not null,
    field_sd double,
    machine_sd double,
    operator_sd double,
    machine_day_sd double,
    site_day_sd double,
    season_sd double
);
