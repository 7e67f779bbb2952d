-- A row is a load whose shares do not sum to 1. Reads load_trace.
select load_id, sum(share) as total
from load_trace
group by load_id
having abs(sum(share) - 1) > 1e-9
