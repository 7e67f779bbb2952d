-- A row is a field and a machine: mass weighed and lifted there. Key: field_id, machine_id; machine_id is null for
-- heaps. Reads mass_balance.
select machine_id, field_id, sum(weighed_t) as weighed_t, sum(lifted_t) as lifted_t
from mass_balance
group by machine_id, field_id
order by field_id, machine_id
