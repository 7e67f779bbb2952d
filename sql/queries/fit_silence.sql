-- A row is a reason why combinations of a setting and a wetness class have no estimate, with their number.
-- Key: response, reason_code. Reads effect.
select response, reason_code, count(*) as cells
from effect
where wetness_class is not null and soil_class is null and change_pct is null
group by all
order by response, cells desc, reason_code
