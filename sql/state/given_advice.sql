-- A row is a row of advice as it was last given for a shift. Key: machine_id, shift_date, setting, verdict. Written by advice.
-- Columns: those of advice, and given_at. A run replaces the rows of its shift until that shift has loads.
create table if not exists given_advice as
select *, cast(null as timestamptz) as given_at
from advice
limit 0;
