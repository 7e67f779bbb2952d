-- A row is a measured load of a shift. Key: load_id. Reads load_fact. Parameter: shift_date.
select load_id, dirt_tare_pct
from load_fact
where shift_date = $shift_date and dirt_tare_pct is not null
order by load_id
