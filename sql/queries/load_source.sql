-- A row is one source's contribution to a load's difference from the season's typical load. Key: source.
-- Reads load_why. Parameter: load_id.
select source, kind, points
from load_why
where load_id = $load_id
order by abs(points) desc, source
