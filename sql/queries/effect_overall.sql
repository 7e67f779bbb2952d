-- A row is the effect of one setting on one response in one wetness class, over all soils.
-- Key: response, setting, wetness_class. Reads effect.
select response, setting, wetness_class, step, unit, change_pct, lo95, hi95, p_value, q_value, n, between_pct,
    reason_code, reason_args
from effect
where soil_class is null and wetness_class is not null
order by response, setting, wetness_class
