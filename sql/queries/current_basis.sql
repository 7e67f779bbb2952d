-- One row: the time of the last fit, the last shift of the fit that its variances are from if that is another one, and the
-- last shift with a load. Reads fit_run, load_fact.
select
    (select max(fitted_at) from fit_run) as fitted_at,
    (select min(variances_shift_date) from fit_run where variances_from = 'last_night') as variances_shift_date,
    (select max(shift_date) from load_fact) as last_shift_date
