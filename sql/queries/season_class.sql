-- A row is a wetness and soil class: measured loads, their number of visits (machine, field, shift), their dirt and the
-- half width of its 95 % interval, null with fewer than two visits.
-- Key: wetness_class, soil_class. Reads load_fact, load_class.
with visit as (
    select c.wetness_class, c.soil_class, f.machine_id, f.field_id, f.shift_date, count(*) as n, sum(f.delivered_t) as delivered_t,
        sum(f.dirt_tare_pct) as dirt
    from load_fact as f
    inner join load_class as c using (load_id)
    where f.dirt_tare_pct is not null and c.wetness_class is not null and c.soil_class is not null
    group by all
)

select wetness_class, soil_class, cast(sum(n) as bigint) as n, count(*) as n_visits, sum(delivered_t) as delivered_t,
    sum(dirt) / sum(n) as dirt_pct, cluster_half(dirt, n) as dirt_half
from visit
group by wetness_class, soil_class
order by wetness_class, soil_class
