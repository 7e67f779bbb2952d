-- A row is a load: mean air temperature at its field over the 24 hours before lifting, a proxy for root temperature.
-- Key: load_id. Reads load_fact, field_hour.
select f.load_id, avg(h.air_temp_c) as root_temp_c
from load_fact as f
inner join field_hour as h
    on h.field_id = f.field_id and h.hour_at > f.lifted_at - interval 24 hour and h.hour_at <= f.lifted_at
group by f.load_id
order by f.load_id
