-- A row is a three-hour period and a known soil class within the last ten days: mean topsoil wetness.
-- Key: at, soil_class. Reads field_hour, field.
with last_hour as (select max(hour_at) as hour_at from field_hour)

select
    time_bucket(interval 3 hour, h.hour_at) as at,
    soil_class(f.clay_pct) as soil_class,
    avg(h.topsoil_wetness) as topsoil_wetness
from field_hour as h
inner join "field" as f using (field_id)
where h.hour_at > (select hour_at from last_hour) - interval 10 day and soil_class(f.clay_pct) is not null
group by all
order by all
