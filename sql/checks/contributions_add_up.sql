-- A row is a load whose contributions do not add up to its deviation from the typical load.
-- Reads load_why, expected_load.
with total as (select load_id, sum(points) as points from load_why group by load_id),

typical as (select median(e.observed_pct - t.points) as pct from expected_load as e inner join total as t using (load_id))

select e.load_id, e.observed_pct - t.points as typical_by_load
from expected_load as e
inner join total as t using (load_id)
where abs(e.observed_pct - t.points - (select pct from typical)) > 1e-6
