-- A row is one source's contribution to the deviation of one of a shift's worst loads. Key: load_id, source.
-- Reads load_why. Parameter: load_ids.
select load_id, source, kind, points
from load_why
where list_contains($load_ids, load_id)
order by load_id, abs(points) desc, source
