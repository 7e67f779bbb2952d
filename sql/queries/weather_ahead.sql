-- One row: mean topsoil wetness and air temperature of the fields with advice in the working hours of the next shift,
-- rain ahead (null without a forecast) and the share of these fields that have a forecast; wetness_class is the class of
-- the mean.
-- Reads next_condition, advice.
select wetness_class(avg(n.topsoil_wetness)) as wetness_class, avg(n.topsoil_wetness) as topsoil_wetness,
    avg(n.air_temp_c) as air_temp_c, avg(n.rain_mm) as rain_mm,
    avg(case when n.outlook = 'forecast' then 1.0 else 0.0 end) as forecast_share
from next_condition as n
where n.field_id in (select field_id from advice)
