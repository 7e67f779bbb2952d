-- One row: the last shift with measured loads used by the fit, or else the last shift with any load.
-- Reads load_fact, expected_load.
select coalesce(
    (select max(f.shift_date) from load_fact as f inner join expected_load using (load_id)),
    (select max(shift_date) from load_fact)
) as shift_date
