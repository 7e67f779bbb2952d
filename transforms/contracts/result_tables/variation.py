"""Result tables of designed variation; `sql/results/` says what a row of each is."""

import dataframely as dy


class VariationOption(dy.Schema):
    """Rows of `variation_option`."""

    machine_id = dy.String()
    field_id = dy.String()
    shift_date = dy.Date()
    wetness_class = dy.String()
    soil_class = dy.String()
    setting = dy.String()
    unit = dy.String()
    step = dy.Float64()
    base_value = dy.Float64(nullable=True)
    low_value = dy.Float64(nullable=True)
    high_value = dy.Float64(nullable=True)
    tried_lo = dy.Float64(nullable=True)
    tried_hi = dy.Float64(nullable=True)
    response = dy.String(nullable=True)
    gain_per_t = dy.Float64(nullable=True)
    learnable_sd_per_t = dy.Float64(nullable=True)
    per_log = dy.Float64(nullable=True)
    loss_per_t = dy.Float64(nullable=True)
    reason_code = dy.String()
    reason_args = dy.String()


class VariedLoad(dy.Schema):
    """Rows of `varied_load`."""

    plan_id = dy.String()
    load_id = dy.String()
    machine_id = dy.String()
    field_id = dy.String()
    shift_date = dy.Date()
    position = dy.Int64()
    variation_block = dy.String()
    setting = dy.String()
    planned_value = dy.Float64()
    traced_value = dy.Float64(nullable=True)
    is_followed = dy.Bool(nullable=True)
    is_counted = dy.Bool()
    reason_code = dy.String()
    reason_args = dy.String()
