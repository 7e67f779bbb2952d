-- A macro: the soil class by clay content in percent, null if unknown. transforms/conditions/field_hours.py
-- has the same cut points for frames.
create or replace temp macro soil_class(clay_pct) as
    case when isnan(clay_pct) then null when clay_pct < 18 then 'light' when clay_pct <= 35 then 'medium' when clay_pct > 35 then 'heavy' end
