-- One row: a load's weighing time as printed on its ticket and by the corrected clock of the weighbridge.
-- Reads load_weighed. Parameter: load_id.
select weighed_at as printed_on_ticket_at, weighed_true_at as weighed_at, site_ahead_min
from load_weighed
where load_id = $load_id
