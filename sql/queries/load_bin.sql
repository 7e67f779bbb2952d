-- A row is a 30 s bin of a machine and its share of one load.
-- Key: machine_id, bin_at. Reads load_trace. Parameter: load_id.
select machine_id, bin_at, share
from load_trace
where load_id = $load_id and bin_at is not null
order by machine_id, bin_at
