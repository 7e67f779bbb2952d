-- A row is the effect of one setting on dirt in one wetness and soil class, or the reason it is not estimable.
-- Key: setting, wetness_class, soil_class. Reads effect.
select setting, wetness_class, soil_class, n, change_pct, lo95, hi95, reason_code, reason_args,
    case
        when change_pct is null then 'not_tried'
        when reason_code = 'effect_confounded' then 'confounded'
        when lo95 <= 0 and hi95 >= 0 then 'none'
        else 'clear'
    end as standing
from effect
where response = 'dirt_tare_pct' and wetness_class is not null and soil_class is not null
order by setting, wetness_class, soil_class
