-- A row is an advised move of the last seven shifts that had any, and what the machine did with it. done_value: the value
-- that it ran at on average, counted between the value advised and one step the other way; made_s: time worked with a
-- quarter of the step or more. Key: machine_id, shift_date, setting. Reads advice_uptake.
with recent as (
    select distinct shift_date
    from advice_uptake
    where not is_withheld
    order by shift_date desc
    limit 7
)

select u.shift_date, u.machine_id, u.field_id, u.setting, u.from_value, u.to_value,
    u.from_value + u.made_share * (u.to_value - u.from_value) as done_value, u.uptake_code, u.reason_code, u.first_at,
    u.time_share * u.judged_s as made_s, u.judged_s
from advice_uptake as u
semi join recent as r using (shift_date)
where not u.is_withheld
order by u.shift_date desc, natural_order(u.machine_id), u.move_number, u.setting
