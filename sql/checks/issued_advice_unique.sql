-- A row is a change that one run issued twice to a machine for a shift. Reads advice_issued.
select issued_at, machine_id, shift_date, setting, verdict, count(*) as rows
from advice_issued
group by all
having count(*) > 1
