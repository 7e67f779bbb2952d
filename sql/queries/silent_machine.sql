-- A row is a machine that logged in the week before the fleet's newest bin and has been silent since, unlike the
-- other machines. Key: machine_id. Reads machine_day. Parameter: hours.
with newest as (
    select max(last_at) as at from machine_day
)
select machine_id, max(last_at) as last_at, round(date_diff('minute', max(last_at), any_value(newest.at)) / 60.0, 1) as silent_h
from machine_day, newest
where last_at >= newest.at - interval 7 days
group by machine_id
having date_diff('minute', max(last_at), any_value(newest.at)) > 60 * $hours
order by natural_order(machine_id)
