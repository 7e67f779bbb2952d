-- A row is a stretch of minutes in which one machine filled one load, with its share of the load.
-- Key: machine_id, from_at. Reads load_trace. Parameter: load_id.
with bin as (
    select machine_id, bin_at, share,
        bin_at - lag(bin_at) over (partition by machine_id order by bin_at) > interval 2 minute as begins
    from load_trace
    where load_id = $load_id
),
stretch as (
    select *, sum(case when begins then 1 else 0 end) over (partition by machine_id order by bin_at) as nth
    from bin
)
select machine_id, min(bin_at) as from_at, max(bin_at) + interval 30 second as to_at, sum(share) as share
from stretch
group by machine_id, nth
order by share desc, machine_id, from_at
