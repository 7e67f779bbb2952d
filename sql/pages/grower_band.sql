-- A row is a response: where the middle of all growers lies, without a name. Nothing where fewer than ten are compared.
-- Key: response. Reads benchmark.
select response, count(*) as growers, quantile_cont(shrunken, 0.1) as p10, quantile_cont(shrunken, 0.25) as p25,
    quantile_cont(shrunken, 0.5) as p50, quantile_cont(shrunken, 0.75) as p75, quantile_cont(shrunken, 0.9) as p90
from benchmark
where subject_kind = 'grower' and shrunken is not null
group by response
having count(*) >= 10
order by response
