-- A row is a row of the advice in force for a shift. Of the runs that issued advice while the shift had no loads, that is
-- the last one before the shift's first load was lifted. If all of them ran later, as when a season is read after it has
-- ended, it is the last of them. Key: machine_id, shift_date, setting, verdict. Reads advice_issued, load_fact.
with begun as (
    select shift_date, min(lifted_at) as first_lifted_at
    from load_fact
    group by shift_date
),

in_force as (
    select distinct i.shift_date, i.issued_at
    from advice_issued as i
    left join begun as b using (shift_date)
    where not i.had_loads
    qualify dense_rank() over (
        partition by i.shift_date order by coalesce(i.issued_at < b.first_lifted_at, true) desc, i.issued_at desc
    ) = 1
)

select i.*
from advice_issued as i
semi join in_force as f on f.shift_date = i.shift_date and f.issued_at = i.issued_at
order by i.shift_date, natural_order(i.machine_id), i.move_number, i.setting
