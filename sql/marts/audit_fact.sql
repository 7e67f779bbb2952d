-- A row is a dig-behind audit: root loss, the settings in force, conditions. Key: audit_id.
-- Reads audit_loss, audit_setting, field, field_root_mass, field_hour, machine.
select
    a.audit_id,
    a.machine_id,
    a.field_id,
    cast((a.audited_at at time zone $zone) - $shift_starts as date) as shift_date,
    a.audited_at,
    a.tip_loss_t_ha,
    a.whole_root_loss_t_ha,
    a.root_loss_t_ha,
    a.root_loss_lo95,
    a.root_loss_hi95,
    a.root_loss_log_var,
    a.tip_loss_mass_each_kg,
    a.whole_root_mass_each_kg,
    a.plot_m2,
    s.* exclude (audit_id),
    h.topsoil_wetness,
    h.air_temp_c,
    h.rain_24h_mm,
    h.rain_72h_mm,
    f.clay_pct,
    f.yield_t_ha,
    f.row_spacing_cm,
    r.root_mass_kg,
    r.root_mass_source,
    m.generation
from audit_loss as a
left join audit_setting as s using (audit_id)
left join "field" as f on f.field_id = a.field_id
left join field_root_mass as r on r.field_id = a.field_id
left join field_hour as h on h.field_id = a.field_id and h.hour_at = date_trunc('hour', a.audited_at)
left join machine as m on m.machine_id = a.machine_id
order by a.audit_id
