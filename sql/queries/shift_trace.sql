-- A row is the share of one half minute in a load of a shift. Key: load_id, machine_id, bin_at.
-- Reads load_trace, load_fact. Parameter: shift_date.
select t.load_id, t.machine_id, t.bin_at, t.share
from load_trace as t
semi join (select load_id from load_fact where shift_date = $shift_date) as f using (load_id)
where t.bin_at is not null
order by all
