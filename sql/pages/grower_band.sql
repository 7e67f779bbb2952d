-- A row is a response: where the middle of all growers lies, without a name. Nothing where fewer than ten are compared.
-- A quantile is the mean of the growers about it, two at the least: never one grower's own figure.
-- Key: response. Reads benchmark.
with compared as (
    select response, shrunken, 1.0 / count(*) over (partition by response) as breadth
    from benchmark
    where subject_kind = 'grower' and shrunken is not null
),

placed as (
    select response, shrunken, breadth, count(*) over (partition by response) as growers,
        (row_number() over (partition by response order by shrunken) - 1.0)
        / nullif(count(*) over (partition by response) - 1, 0) as place
    from compared
)

select response, any_value(growers) as growers,
    avg(shrunken) filter (where abs(place - 0.1) <= 1.5 * breadth) as p10,
    avg(shrunken) filter (where abs(place - 0.25) <= 1.5 * breadth) as p25,
    avg(shrunken) filter (where abs(place - 0.5) <= 1.5 * breadth) as p50,
    avg(shrunken) filter (where abs(place - 0.75) <= 1.5 * breadth) as p75,
    avg(shrunken) filter (where abs(place - 0.9) <= 1.5 * breadth) as p90
from placed
group by response
having any_value(growers) >= 10
order by response
