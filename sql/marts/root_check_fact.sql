-- A row is a root check: outcomes, the settings in force, conditions at the lifting of its roots. Key: check_id.
-- checked_at: time of the work, that of the lifting of its load, else of the minutes before the check.
-- Reads root_check, root_check_outcome, root_check_setting, load_fact, field, field_root_mass, field_hour, machine.
with placed as (
    select
        c.check_id,
        c.load_id,
        coalesce(l.machine_id, s.machine_id, c.machine_id) as machine_id,
        coalesce(l.field_id, s.field_id, c.field_id) as field_id,
        c.place,
        coalesce(l.lifted_at, s.worked_at, c.checked_at) as checked_at,
        l.shift_date as load_date,
        c.checked_roots_count,
        s.* exclude (check_id, machine_id, field_id, worked_at)
    from "root_check" as c
    left join load_fact as l using (load_id)
    left join root_check_setting as s on s.check_id = c.check_id
)
select
    p.check_id,
    p.load_id,
    p.machine_id,
    p.field_id,
    p.place,
    coalesce(p.load_date, cast((p.checked_at at time zone $zone) - $shift_starts as date)) as shift_date,
    p.checked_at,
    p.checked_roots_count,
    o.* exclude (check_id, root_mass_kg),
    p.* exclude (check_id, load_id, machine_id, field_id, place, load_date, checked_at, checked_roots_count),
    h.topsoil_wetness,
    h.air_temp_c,
    h.air_temp_10d_c,
    h.rain_24h_mm,
    h.rain_72h_mm,
    f.clay_pct,
    f.yield_t_ha,
    f.row_spacing_cm,
    r.root_mass_kg,
    r.root_mass_source,
    m.generation,
    m.operator_id
from placed as p
left join root_check_outcome as o using (check_id)
left join "field" as f on f.field_id = p.field_id
left join field_root_mass as r on r.field_id = p.field_id
left join field_hour as h on h.field_id = p.field_id and h.hour_at = date_trunc('hour', p.checked_at)
left join machine as m on m.machine_id = p.machine_id
order by p.check_id
