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
