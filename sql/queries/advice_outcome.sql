-- A row is a machine with advice: its verdict, dirt and root loss before its first move and after its last, the soil-free
-- mass and area that it lifted in the last shift (null if none), and the gain of its moves in such a shift.
-- Key: machine_id. Reads advice, load_fact, field. Parameter: shift_date (of the last shift).
with machine as (
    select machine_id, any_value(field_id) as field_id, any_value(verdict) as verdict,
        any_value(wetness_class) as wetness_class, any_value(soil_class) as soil_class,
        any_value(topsoil_wetness) as topsoil_wetness,
        case when any_value(verdict) = 'try' then null else any_value(total_gain_per_t) end as gain_per_t,
        any_value(total_lo95) as gain_lo95, any_value(total_hi95) as gain_hi95,
        arg_min(dirt_before_pct, coalesce(move_number, 0)) as dirt_before_pct,
        case when any_value(verdict) = 'move' then arg_max(dirt_after_pct, move_number)
            else arg_min(dirt_before_pct, coalesce(move_number, 0)) end as dirt_after_pct,
        arg_min(root_loss_before_t_ha, coalesce(move_number, 0)) as root_loss_before_t_ha,
        case when any_value(verdict) = 'move' then arg_max(root_loss_after_t_ha, move_number)
            else arg_min(root_loss_before_t_ha, coalesce(move_number, 0)) end as root_loss_after_t_ha
    from advice
    group by machine_id
),

lifted as (
    select f.machine_id,
        sum(f.delivered_t * (1 - coalesce(f.dirt_tare_pct, (select avg(dirt_tare_pct) from load_fact)) / 100)) as soil_free_t
    from load_fact as f
    where f.shift_date = $shift_date
    group by f.machine_id
)

select m.*, l.soil_free_t, l.soil_free_t / d.yield_t_ha as lifted_ha, m.gain_per_t * l.soil_free_t as gain_per_shift,
    m.gain_lo95 * l.soil_free_t as shift_lo95, m.gain_hi95 * l.soil_free_t as shift_hi95
from machine as m
left join lifted as l using (machine_id)
left join "field" as d using (field_id)
order by gain_per_shift desc nulls last, m.gain_per_t desc nulls last, natural_order(m.machine_id)
