-- A row is a move whose uptake is known, with what the advice in force predicted. Key: machine_id, shift_date, setting.
-- Reads advice_uptake, advice_issued.
select u.machine_id, u.shift_date, u.setting, u.move_number, u.field_id, u.made_share, u.is_withheld, i.dirt_before_pct,
    i.dirt_after_pct, i.dirt_lo95, i.dirt_hi95, i.topsoil_wetness
from advice_uptake as u
inner join advice_issued as i
    on i.issued_at = u.issued_at and i.machine_id = u.machine_id and i.shift_date = u.shift_date
    and i.setting = u.setting and i.verdict = 'move'
where u.uptake_code <> 'unknown' and i.dirt_before_pct is not null and i.dirt_after_pct is not null
order by u.shift_date, u.machine_id, u.move_number
