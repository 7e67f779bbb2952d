-- A row is a load with the properties a trial needs: its machine, field, shift, wetness class, sample and dirt. Key: load_id.
-- Reads load_fact, load_class.
select f.load_id, f.machine_id, f.field_id, f.shift_date, c.wetness_class, f.sample_kg, f.dirt_tare_pct
from load_fact as f
inner join load_class as c using (load_id)
order by f.load_id
