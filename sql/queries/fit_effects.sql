-- A row is a setting whose overall effect on a response is certain at q < 0.05, largest first. Key: response, setting.
-- Reads effect.
select response, setting, step, unit, change_pct, lo95, hi95, q_value, n, reason_code, reason_args
from effect
where wetness_class is null and soil_class is null and q_value < 0.05
order by response, abs(change_pct) desc
