-- A row is advice outside what the fleet has tried in its class of conditions. Reads advice, effect.
select a.machine_id, a.setting, a.to_value, e.tried_lo, e.tried_hi
from advice as a
inner join effect as e
    on e.setting = a.setting and e.response = 'dirt_tare_pct'
    and e.wetness_class = a.wetness_class and e.soil_class = a.soil_class
where a.to_value not between e.tried_lo - 1e-9 and e.tried_hi + 1e-9
