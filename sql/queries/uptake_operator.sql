-- A row is an operator with advised moves: the moves by what machines did with them while the operator drove. Key:
-- operator_id. Reads advice_uptake.
select operator_id, count(*) as moves, count(*) filter (uptake_code = 'followed') as followed,
    count(*) filter (uptake_code = 'partly') as partly, count(*) filter (uptake_code = 'not') as not_made,
    count(*) filter (uptake_code = 'opposite') as opposite, count(*) filter (uptake_code = 'unknown') as unknown
from advice_uptake
where operator_id is not null and not is_withheld
group by operator_id
order by natural_order(operator_id)
