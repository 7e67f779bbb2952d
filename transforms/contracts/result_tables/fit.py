"""Result tables of fits of the responses; `sql/results/` says what a row of each is."""

import dataframely as dy


def _instant(*, nullable: bool = False) -> dy.Datetime:
    return dy.Datetime(time_unit="us", time_zone="UTC", nullable=nullable)


class Effect(dy.Schema):
    """Rows of `effect`."""

    response = dy.String()
    setting = dy.String()
    wetness_class = dy.String(nullable=True)
    soil_class = dy.String(nullable=True)
    step = dy.Float64()
    unit = dy.String()
    change_pct = dy.Float64(nullable=True)
    lo95 = dy.Float64(nullable=True)
    hi95 = dy.Float64(nullable=True)
    p_value = dy.Float64(nullable=True)
    df = dy.Float64(nullable=True)
    q_value = dy.Float64(nullable=True)
    n = dy.Int64()
    tried_lo = dy.Float64(nullable=True)
    tried_hi = dy.Float64(nullable=True)
    between_pct = dy.Float64(nullable=True)
    reason_code = dy.String(nullable=True)
    reason_args = dy.String(nullable=True)


class Curve(dy.Schema):
    """Rows of `curve`."""

    response = dy.String()
    setting = dy.String()
    wetness_class = dy.String(nullable=True)
    soil_class = dy.String(nullable=True)
    value = dy.Float64(nullable=True)
    unit = dy.String()
    mean = dy.Float64(nullable=True)
    lo95 = dy.Float64(nullable=True)
    hi95 = dy.Float64(nullable=True)
    tried = dy.Bool()
    reason_code = dy.String()
    reason_args = dy.String()


class Confounding(dy.Schema):
    """Rows of `confounding`."""

    response = dy.String()
    setting = dy.String()
    naive_pct = dy.Float64(nullable=True)
    naive_lo95 = dy.Float64(nullable=True)
    naive_hi95 = dy.Float64(nullable=True)
    between_pct = dy.Float64(nullable=True)
    between_lo95 = dy.Float64(nullable=True)
    between_hi95 = dy.Float64(nullable=True)
    within_pct = dy.Float64(nullable=True)
    within_lo95 = dy.Float64(nullable=True)
    within_hi95 = dy.Float64(nullable=True)
    wetness_balance = dy.Float64(nullable=True)
    clay_balance = dy.Float64(nullable=True)
    reason_code = dy.String()
    reason_args = dy.String()


class VarianceShare(dy.Schema):
    """Rows of `variance_share`."""

    response = dy.String()
    source = dy.String()
    kind = dy.String()
    share = dy.Float64(nullable=True)
    lo95 = dy.Float64(nullable=True)
    hi95 = dy.Float64(nullable=True)
    reason_code = dy.String()
    reason_args = dy.String()


class SettingPair(dy.Schema):
    """Rows of `setting_pair`."""

    response = dy.String()
    setting = dy.String()
    other_setting = dy.String()
    change_pct = dy.Float64(nullable=True)
    lo95 = dy.Float64(nullable=True)
    hi95 = dy.Float64(nullable=True)
    p_value = dy.Float64(nullable=True)
    q_value = dy.Float64(nullable=True)
    n = dy.Int64()
    reason_code = dy.String()
    reason_args = dy.String()


class PartEffect(dy.Schema):
    """Rows of `part_effect`."""

    response = dy.String()
    place = dy.String()
    part = dy.String()
    compared_with = dy.String()
    wetness_class = dy.String(nullable=True)
    change_pct = dy.Float64(nullable=True)
    lo95 = dy.Float64(nullable=True)
    hi95 = dy.Float64(nullable=True)
    machines = dy.Int64()
    n = dy.Int64()
    pairs = dy.Int64(nullable=True)
    wetness_gap = dy.Float64(nullable=True)
    reason_code = dy.String()
    reason_args = dy.String()


class InteractionGain(dy.Schema):
    """Rows of `interaction_gain`."""

    response = dy.String()
    setting = dy.String()
    changes_with = dy.String()
    shift_pct = dy.Float64(nullable=True)
    lo95 = dy.Float64(nullable=True)
    hi95 = dy.Float64(nullable=True)
    block_gain = dy.Float64()
    block_p_value = dy.Float64()
    reason_code = dy.String()
    reason_args = dy.String()


class FitCheck(dy.Schema):
    """Rows of `fit_check`."""

    response = dy.String()
    check = dy.String()
    value = dy.Float64(nullable=True)
    bound = dy.Float64(nullable=True)
    passed = dy.Bool(nullable=True)
    reason_code = dy.String()
    reason_args = dy.String()
    last_shift_date = dy.Date(nullable=True)


class FitPosterior(dy.Schema):
    """Rows of `fit_posterior`."""

    response = dy.String()
    label = dy.String()
    other = dy.String()
    mean = dy.Float64()
    covariance = dy.Float64()


ESTIMATED, LAST_NIGHT = "estimated", "last_night"
"""Values of `fit_run.variances_from`: estimated in this fit, or stepped from those of the last nightly one."""


class FitRun(dy.Schema):
    """Rows of `fit_run`."""

    response = dy.String()
    fitted_at = _instant()
    data_fingerprint = dy.String()
    n = dy.Int64()
    reml_deviance = dy.Float64()
    iterations = dy.Int64()
    converged = dy.Bool()
    variances_from = dy.String()
    variances_shift_date = dy.Date()
    variances_n = dy.Int64()
    residual_sd = dy.Float64()
    field_sd = dy.Float64(nullable=True)
    machine_sd = dy.Float64(nullable=True)
    operator_sd = dy.Float64(nullable=True)
    machine_day_sd = dy.Float64(nullable=True)
    site_day_sd = dy.Float64(nullable=True)
    season_sd = dy.Float64(nullable=True)


class SettingReliability(dy.Schema):
    """Rows of `setting_reliability`."""

    response = dy.String()
    setting = dy.String()
    reliability = dy.Float64()
    n = dy.Int64()


class LastSeason(dy.Schema):
    """Rows of `last_season`."""

    response = dy.String()
    setting = dy.String()
    last_season_weight = dy.Float64()
    reason_code = dy.String()
    reason_args = dy.String()


class ExpectedLoad(dy.Schema):
    """Rows of `expected_load`."""

    load_id = dy.String()
    observed_pct = dy.Float64()
    expected_pct = dy.Float64()
    lo95 = dy.Float64()
    hi95 = dy.Float64()
    conditions_pct = dy.Float64()


class LoadWhy(dy.Schema):
    """Rows of `load_why`."""

    load_id = dy.String()
    source = dy.String()
    kind = dy.String()
    points = dy.Float64()
