-- A macro: the wetness class by topsoil wetness (0 to 1), null if unknown. transforms/conditions/field_hours.py has the
-- same cut points for frames.
create or replace temp macro wetness_class(wetness) as
    case when isnan(wetness) then null when wetness < 0.35 then 'dry' when wetness < 0.65 then 'moist' when wetness >= 0.65 then 'wet' end
