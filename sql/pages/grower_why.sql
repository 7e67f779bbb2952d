-- A row is what one kind of source adds to a grower's loads on average, against the season's typical load.
-- Key: grower_id, kind. Reads load_why, load_fact.
with by_load as (
    select f.grower_id, w.load_id, w.kind, sum(w.points) as points
    from load_why as w
    inner join load_fact as f using (load_id)
    where f.grower_id is not null
    group by all
)

select grower_id, kind, avg(points) as points, count(*) as n
from by_load
group by grower_id, kind
order by grower_id, abs(avg(points)) desc, kind
