-- A row is a class of topsoil and soil: loads measured, their dirt and its interval. Key: wetness_class, soil_class.
-- Reads load_fact, load_class.
select c.wetness_class, c.soil_class, count(*) as n, sum(f.gross_t) as gross_t, avg(f.dirt_tare_pct) as dirt_pct,
    1.96 * stddev_samp(f.dirt_tare_pct) / sqrt(count(*)) as dirt_half
from load_fact as f
inner join load_class as c using (load_id)
where f.dirt_tare_pct is not null and c.wetness_class is not null and c.soil_class is not null
group by all
order by all
