-- A row is a machine with advised moves: its current cost per tonne, and the joint value of the moves per tonne, per
-- hectare, for a shift like its last, and for all loads it lifted this season in such conditions (loads of unknown
-- conditions are excluded). Key: machine_id. Reads advice, load_fact, load_class, field.
-- Parameter: shift_date (of the last shift).
with lifted as (
    select f.machine_id, f.shift_date, c.wetness_class, c.soil_class,
        f.delivered_t * (1 - coalesce(f.dirt_tare_pct, (select avg(dirt_tare_pct) from load_fact)) / 100) as soil_free_t
    from load_fact as f
    left join load_class as c using (load_id)
),

total as (
    select machine_id, any_value(field_id) as field_id,
        any_value(cost_per_t) as cost_per_t, any_value(cost_lo95) as cost_lo95, any_value(cost_hi95) as cost_hi95,
        any_value(total_gain_per_t) as gain_per_t,
        any_value(total_lo95) as lo95, any_value(total_hi95) as hi95, any_value(wetness_class) as wetness_class,
        any_value(soil_class) as soil_class
    from advice
    where verdict = 'move'
    group by machine_id
),

worked as (
    select t.machine_id,
        sum(l.soil_free_t) filter (where l.shift_date = $shift_date) as shift_t,
        sum(l.soil_free_t) filter (where t.wetness_class = l.wetness_class and t.soil_class = l.soil_class) as such_t
    from total as t
    left join lifted as l using (machine_id)
    group by t.machine_id
)

select t.machine_id, t.gain_per_t, t.lo95, t.hi95, w.shift_t as soil_free_t, t.gain_per_t * w.shift_t as gain_per_shift,
    t.lo95 * w.shift_t as shift_lo95, t.hi95 * w.shift_t as shift_hi95,
    t.gain_per_t * f.yield_t_ha as gain_per_ha, t.lo95 * f.yield_t_ha as ha_lo95, t.hi95 * f.yield_t_ha as ha_hi95,
    w.such_t, t.gain_per_t * w.such_t as gain_per_season, t.lo95 * w.such_t as season_lo95,
    t.hi95 * w.such_t as season_hi95, t.cost_per_t, t.cost_lo95, t.cost_hi95,
    t.cost_per_t * f.yield_t_ha as cost_per_ha, t.cost_lo95 * f.yield_t_ha as cost_ha_lo95,
    t.cost_hi95 * f.yield_t_ha as cost_ha_hi95, t.cost_per_t * w.shift_t as cost_per_shift,
    t.cost_lo95 * w.shift_t as cost_shift_lo95, t.cost_hi95 * w.shift_t as cost_shift_hi95,
    t.cost_per_t * w.such_t as cost_per_season, t.cost_lo95 * w.such_t as cost_season_lo95,
    t.cost_hi95 * w.such_t as cost_season_hi95
from total as t
left join worked as w using (machine_id)
left join "field" as f using (field_id)
order by gain_per_shift desc nulls last, t.gain_per_t desc, t.machine_id
