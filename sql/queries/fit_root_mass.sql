-- A row is a setting whose effect certainly changes with the mean root mass of the field, the largest change first.
-- Key: response, setting. Reads interaction_gain.
select response, setting, shift_pct, lo95, hi95
from interaction_gain
where changes_with = 'root mass' and reason_code = 'interaction' and (lo95 > 0 or hi95 < 0)
order by response, abs(shift_pct) desc, setting
