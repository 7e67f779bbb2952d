-- One row: when the last fit was made and which shift is the last with a load. Reads fit_run, load_fact.
select
    (select max(fitted_at) from fit_run) as fitted_at,
    (select max(shift_date) from load_fact) as last_shift_date
