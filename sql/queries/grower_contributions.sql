-- A row is the mean contribution of one kind of source to a grower's loads, relative to the season's typical load.
-- Effects of machines, operators and days are estimated from the few growers that share them, so they form one kind,
-- `shared`, with the unexplained remainder.
-- Key: grower_id, kind. Reads load_why, load_fact.
with by_load as (
    select f.grower_id, w.load_id, sum(w.points) as points,
        case when w.kind in ('condition', 'setting', 'field') then w.kind else 'shared' end as kind
    from load_why as w
    inner join load_fact as f using (load_id)
    where f.grower_id is not null
    group by all
)

select grower_id, kind, avg(points) as points, count(*) as n
from by_load
group by grower_id, kind
order by grower_id, abs(avg(points)) desc, kind
