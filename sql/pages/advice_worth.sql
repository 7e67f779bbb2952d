-- A row is a machine with moves advised: what they are worth together, per tonne and for a shift like its last.
-- Key: machine_id. Reads advice, load_fact. Parameter: shift_date (of the last shift).
with lifted as (
    select machine_id, sum(gross_t * (1 - coalesce(dirt_tare_pct, (select avg(dirt_tare_pct) from load_fact)) / 100)) as clean_t
    from load_fact
    where shift_date = $shift_date
    group by machine_id
),

total as (
    select machine_id, any_value(total_gain_per_t) as gain_per_t, any_value(total_lo95) as lo95, any_value(total_hi95) as hi95
    from advice
    where verdict = 'move'
    group by machine_id
)

select t.machine_id, t.gain_per_t, t.lo95, t.hi95, l.clean_t, t.gain_per_t * l.clean_t as gain_per_shift,
    t.lo95 * l.clean_t as shift_lo95, t.hi95 * l.clean_t as shift_hi95
from total as t
left join lifted as l using (machine_id)
order by t.gain_per_t desc, t.machine_id
