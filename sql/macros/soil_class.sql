-- A macro: the soil class by clay content in percent, null if unknown. The cut points are variables of the connection
-- (`transforms/contracts/classes.py`).
create or replace temp macro soil_class(clay_pct) as
    case when isnan(clay_pct) then null when clay_pct < getvariable('light_below') then 'light'
        when clay_pct <= getvariable('heavy_above') then 'medium'
        when clay_pct > getvariable('heavy_above') then 'heavy' end
