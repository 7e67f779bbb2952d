"""Result tables of audits and root checks; `sql/results/` says what a row of each is."""

import dataframely as dy


class AuditLoss(dy.Schema):
    """Rows of `audit_loss`."""

    audit_id = dy.String()
    machine_id = dy.String()
    field_id = dy.String()
    audited_at = dy.Datetime(time_unit="us", time_zone="UTC")
    tip_loss_t_ha = dy.Float64(nullable=True)
    whole_root_loss_t_ha = dy.Float64(nullable=True)
    root_loss_t_ha = dy.Float64(nullable=True)
    root_loss_lo95 = dy.Float64(nullable=True)
    root_loss_hi95 = dy.Float64(nullable=True)
    root_loss_log_var = dy.Float64(nullable=True)
    tip_loss_mass_each_kg = dy.Float64(nullable=True)
    whole_root_mass_each_kg = dy.Float64(nullable=True)
    plot_m2 = dy.Float64(nullable=True)


class RootCheckOutcome(dy.Schema):
    """Rows of `root_check_outcome`."""

    check_id = dy.String()
    topping_checked_count = dy.Float64(nullable=True)
    under_topped_count = dy.Float64(nullable=True)
    over_topped_count = dy.Float64(nullable=True)
    slanting_count = dy.Float64(nullable=True)
    tip_checked_count = dy.Float64(nullable=True)
    tip_broken_count = dy.Float64(nullable=True)
    tip_loss_pct = dy.Float64(nullable=True)
    damage_checked_count = dy.Float64(nullable=True)
    damaged_count = dy.Float64(nullable=True)
    severely_damaged_count = dy.Float64(nullable=True)
    damaged_area_cm2_per_100_roots = dy.Float64(nullable=True)
    scalp_diameter_cm = dy.Float64(nullable=True)
    petiole_length_cm = dy.Float64(nullable=True)
    root_mass_kg = dy.Float64(nullable=True)
