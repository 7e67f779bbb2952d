-- A row is a row of advice as a run issued it. Key: issued_at, machine_id, shift_date, setting, verdict. Written by advice.
-- Rows are never changed: a later run for the same shift adds its own. issued_at: the run; fitted_at: the fit that the
-- advice rests on; had_loads: the shift already had loads when the run issued it;
-- is_withheld: nobody saw the row, by lot. Other columns: those of advice.
create table if not exists advice_issued as
select
    *,
    cast(null as timestamptz) as issued_at,
    cast(null as timestamptz) as fitted_at,
    cast(null as boolean) as had_loads,
    cast(null as boolean) as is_withheld
from advice
limit 0;
