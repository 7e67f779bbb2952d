-- A macro: the wetness class by topsoil wetness (0 to 1), null if unknown. The cut points are variables of the
-- connection (`transforms/contracts/classes.py`).
create or replace temp macro wetness_class(wetness) as
    case when isnan(wetness) then null when wetness < getvariable('dry_below') then 'dry'
        when wetness < getvariable('wet_from') then 'moist'
        when wetness >= getvariable('wet_from') then 'wet' end
