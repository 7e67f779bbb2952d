-- A row is a reason why moves of a machine cannot be judged, with their number. Key: machine_id, reason_code.
-- Reads advice_uptake.
select machine_id, reason_code, count(*) as moves
from advice_uptake
where uptake_code = 'unknown' and not is_withheld
group by machine_id, reason_code
order by natural_order(machine_id), moves desc, reason_code
