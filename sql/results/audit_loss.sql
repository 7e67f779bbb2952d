-- A row is a dig-behind audit with its losses, t/ha, their interval, the mean mass of a lost piece, kg, and the plot that
-- they refer to. Key: audit_id. Written by trace.
create table if not exists audit_loss (
    audit_id varchar not null,
    machine_id varchar not null,
    field_id varchar not null,
    audited_at timestamptz not null,
    tip_loss_t_ha double,
    whole_root_loss_t_ha double,
    root_loss_t_ha double,
    root_loss_lo95 double,
    root_loss_hi95 double,
    root_loss_log_var double,
    tip_loss_mass_each_kg double,
    whole_root_mass_each_kg double,
    plot_m2 double
);
