-- A row is one of the last ten days: rain, mean of the stations. Key: day. Reads weather_filled. Parameter: zone.
select cast(hour_at at time zone $zone as date) as day, sum(rain_mm) / count(distinct station_id) as rain_mm
from weather_filled
where hour_at > (select max(hour_at) from weather_filled) - interval 10 day
group by day
order by day
