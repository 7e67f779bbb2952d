-- A row is a load with its wetness and soil class (sql/macros/), null if wetness or clay is unknown.
-- Key: load_id. Reads load_fact.
select load_id, wetness_class(topsoil_wetness) as wetness_class, soil_class(clay_pct) as soil_class
from load_fact
order by load_id
