"""Result tables of the outcome of advice; `sql/results/` says what a row of each is."""

import dataframely as dy


def _instant(*, nullable: bool = False) -> dy.Datetime:
    return dy.Datetime(time_unit="us", time_zone="UTC", nullable=nullable)


class AdviceUptake(dy.Schema):
    """Rows of `advice_uptake`."""

    machine_id = dy.String()
    shift_date = dy.Date()
    setting = dy.String()
    unit = dy.String(nullable=True)
    move_number = dy.Int64(nullable=True)
    operator_id = dy.String(nullable=True)
    field_id = dy.String(nullable=True)
    issued_at = _instant()
    is_withheld = dy.Bool()
    from_value = dy.Float64()
    to_value = dy.Float64()
    uptake_code = dy.String()
    reason_code = dy.String(nullable=True)
    made_share = dy.Float64(nullable=True)
    first_at = _instant(nullable=True)
    step_share = dy.Float64(nullable=True)
    time_share = dy.Float64(nullable=True)
    judged_s = dy.Float64()
    fingerprint = dy.String()


class RealisedShift(dy.Schema):
    """Rows of `realised_shift`."""

    machine_id = dy.String()
    shift_date = dy.Date()
    moves = dy.Int64()
    moves_made = dy.Int64()
    made_share = dy.Float64()
    is_made = dy.Bool()
    is_withheld = dy.Bool()
    full_promise_per_t = dy.Float64()
    promised_per_t = dy.Float64()
    promised_sd_per_t = dy.Float64()
    predicted_dirt_ratio = dy.Float64()
    dirt_ratio = dy.Float64()
    saved_per_t = dy.Float64()
    earlier_saved_per_t = dy.Float64()
    topsoil_wetness = dy.Float64(nullable=True)
    clean_t = dy.Float64()
    soil_cost_per_t = dy.Float64()
    loads = dy.Int64()
    contrast_promised_per_t = dy.Float64(nullable=True)
    contrast_saved_per_t = dy.Float64(nullable=True)


class RealisedSaving(dy.Schema):
    """Rows of `realised_saving`."""

    group_code = dy.String()
    moves = dy.Int64()
    moves_made = dy.Int64()
    shifts = dy.Int64()
    machines = dy.Int64()
    promised_per_t = dy.Float64(nullable=True)
    realised_per_t = dy.Float64(nullable=True)
    lo95 = dy.Float64(nullable=True)
    hi95 = dy.Float64(nullable=True)
    verdict_code = dy.String()


class AdviceCalibration(dy.Schema):
    """Rows of `advice_calibration`."""

    part = dy.String()
    setting = dy.String(nullable=True)
    value = dy.Float64()
    lo95 = dy.Float64()
    hi95 = dy.Float64()
    verdict_code = dy.String()
    n = dy.Int64()


class AdviceVerdict(dy.Schema):
    """Rows of `advice_verdict`."""

    verdict = dy.String()
    reason_code = dy.String(nullable=True)
    machine_shifts = dy.Int64()
