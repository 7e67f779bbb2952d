-- A row is the beet without soil (tops included) that one generation lifted this season in one class of conditions, with
-- the mean dirt assumed for unmeasured loads; generation and classes are null if unknown, so that all rows together are the whole season.
-- Key: generation, wetness_class, soil_class. Reads load_fact, load_class.
select f.generation, c.wetness_class, c.soil_class,
    sum(f.delivered_t * (1 - coalesce(f.dirt_tare_pct, (select avg(dirt_tare_pct) from load_fact)) / 100)) as soil_free_t
from load_fact as f
inner join load_class as c using (load_id)
group by all
order by all
