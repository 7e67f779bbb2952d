-- A row is a station and soil class at the last hour known: mean topsoil wetness, rain and temperature;
-- soil_class is null for fields without clay. Key: station_id, soil_class.
-- Reads field_hour, field.
with last_hour as (select max(hour_at) as hour_at from field_hour),

placed as (
    select f.station_id, h.*,
        soil_class(f.clay_pct) as soil_class
    from field_hour as h
    inner join last_hour using (hour_at)
    inner join "field" as f using (field_id)
)

select station_id, soil_class, max(hour_at) as hour_at, count(*) as fields, avg(topsoil_wetness) as topsoil_wetness,
    avg(air_temp_c) as air_temp_c, avg(rain_24h_mm) as rain_24h_mm, avg(rain_72h_mm) as rain_72h_mm
from placed
group by station_id, soil_class
order by station_id, case soil_class when 'light' then 1 when 'medium' then 2 when 'heavy' then 3 else 4 end
