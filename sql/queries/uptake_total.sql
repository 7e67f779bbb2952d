-- One row: the moves of the season that were shown, by what the machines did with them; their machines and
-- shifts. Reads advice_uptake.
select count(*) as moves, count(*) filter (uptake_code = 'followed') as followed,
    count(*) filter (uptake_code = 'partly') as partly, count(*) filter (uptake_code = 'not') as not_made,
    count(*) filter (uptake_code = 'opposite') as opposite, count(*) filter (uptake_code = 'unknown') as unknown,
    count(distinct machine_id) as machines, count(distinct shift_date) as shifts, min(shift_date) as first_shift,
    max(shift_date) as last_shift
from advice_uptake
where not is_withheld
