-- A row is a station and soil class: mean topsoil wetness and air temperature during the working hours of the next
-- shift, and rain up to the last known hour. Without advice since that hour, or if the shift is over, wetness and
-- temperature are those of the last hour (`shift_date` is null); soil_class is null for fields without a clay content.
-- Key: station_id, soil_class. Reads field_hour, field, next_condition.
with last_hour as (select max(hour_at) as hour_at from field_hour),

placed as (
    select f.station_id, h.field_id, h.hour_at, h.rain_24h_mm, h.rain_72h_mm, n.shift_date,
        coalesce(n.topsoil_wetness, h.topsoil_wetness) as topsoil_wetness, coalesce(n.air_temp_c, h.air_temp_c) as air_temp_c,
        soil_class(f.clay_pct) as soil_class
    from field_hour as h
    inner join last_hour using (hour_at)
    inner join "field" as f using (field_id)
    left join next_condition as n on n.field_id = h.field_id and n.shift_date >= cast(h.hour_at - interval 1 day as date)
)

select station_id, soil_class, max(hour_at) as hour_at, max(shift_date) as shift_date, count(*) as fields,
    avg(topsoil_wetness) as topsoil_wetness, avg(air_temp_c) as air_temp_c, avg(rain_24h_mm) as rain_24h_mm,
    avg(rain_72h_mm) as rain_72h_mm
from placed
group by station_id, soil_class
order by station_id, case soil_class when 'light' then 1 when 'medium' then 2 when 'heavy' then 3 else 4 end
