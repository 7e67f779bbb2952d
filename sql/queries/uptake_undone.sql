-- A row is one of the three settings that a machine most often left undone: moves whose uptake is known, and those of
-- them that were not made or made the other way. Key: machine_id, setting. Reads advice_uptake.
select machine_id, setting, count(*) as moves, count(*) filter (uptake_code in ('not', 'opposite')) as undone
from advice_uptake
where uptake_code <> 'unknown' and not is_withheld
group by machine_id, setting
having undone > 0
qualify row_number() over (partition by machine_id order by undone desc, moves, setting) <= 3
order by natural_order(machine_id), undone desc, moves, setting
