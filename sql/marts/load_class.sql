-- A row is a load and the classes of its topsoil and soil (sql/macros/), null where wetness or clay is not known.
-- Key: load_id. Reads load_fact.
select load_id, wetness_class(topsoil_wetness) as wetness_class, soil_class(clay_pct) as soil_class
from load_fact
order by load_id
