-- One row: the time of the last fit and the last shift with a load. Reads fit_run, load_fact.
select
    (select max(fitted_at) from fit_run) as fitted_at,
    (select max(shift_date) from load_fact) as last_shift_date
