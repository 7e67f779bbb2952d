"""Result tables of the comparison of subjects, and of trials; `sql/results/` says what a row of each is."""

import dataframely as dy


class Benchmark(dy.Schema):
    """Rows of `benchmark`."""

    subject_kind = dy.String()
    subject_id = dy.String()
    response = dy.String()
    observed = dy.Float64(nullable=True)
    expected = dy.Float64(nullable=True)
    from_conditions = dy.Float64(nullable=True)
    from_settings = dy.Float64(nullable=True)
    from_outliers = dy.Float64(nullable=True)
    unexplained = dy.Float64(nullable=True)
    lo95 = dy.Float64(nullable=True)
    hi95 = dy.Float64(nullable=True)
    shrunken = dy.Float64(nullable=True)
    shrunken_lo95 = dy.Float64(nullable=True)
    shrunken_hi95 = dy.Float64(nullable=True)
    rank = dy.Int64(nullable=True)
    rank_lo95 = dy.Int64(nullable=True)
    rank_hi95 = dy.Int64(nullable=True)
    subjects = dy.Int64(nullable=True)
    limit_95 = dy.Float64(nullable=True)
    limit_998 = dy.Float64(nullable=True)
    overdispersion = dy.Float64(nullable=True)
    funnel = dy.String(nullable=True)
    standing = dy.String(nullable=True)
    reason_code = dy.String(nullable=True)
    reason_args = dy.String(nullable=True)
    n = dy.Int64()
    last_shift_date = dy.Date(nullable=True)


class SeasonChange(dy.Schema):
    """Rows of `season_change`."""

    response = dy.String()
    season_start = dy.String()
    before = dy.String()
    observed_change = dy.Float64()
    from_conditions = dy.Float64()
    from_settings = dy.Float64()
    from_outliers = dy.Float64()
    unexplained = dy.Float64()
    lo95 = dy.Float64()
    hi95 = dy.Float64()
    n = dy.Int64()


class TrialLoad(dy.Schema):
    """Rows of `trial_load`."""

    trial_id = dy.String()
    load_id = dy.String()
    position = dy.Int64()
    trial_block = dy.String()
    arm = dy.String()
    trial_setting = dy.String()
    trial_value = dy.Float64()
    traced_value = dy.Float64(nullable=True)


class TrialResult(dy.Schema):
    """Rows of `trial_result`."""

    trial_id = dy.String()
    machine_id = dy.String()
    field_id = dy.String()
    shift_date = dy.Date()
    setting = dy.String()
    value_a = dy.Float64()
    value_b = dy.Float64()
    part_a = dy.String(nullable=True)
    part_b = dy.String(nullable=True)
    wetness_class = dy.String(nullable=True)
    response = dy.String()
    pairs = dy.Int64()
    effect_pct = dy.Float64(nullable=True)
    lo95 = dy.Float64(nullable=True)
    hi95 = dy.Float64(nullable=True)
    p_value = dy.Float64(nullable=True)
    anytime_lo95 = dy.Float64(nullable=True)
    anytime_hi95 = dy.Float64(nullable=True)
    strayed = dy.Int64()
    traced_pairs = dy.Int64(nullable=True)
    traced_share = dy.Float64(nullable=True)
    traced_effect_pct = dy.Float64(nullable=True)
    traced_lo95 = dy.Float64(nullable=True)
    traced_hi95 = dy.Float64(nullable=True)
    traced_reason_code = dy.String(nullable=True)
    traced_reason_args = dy.String(nullable=True)
    reading_code = dy.String()
    e_value = dy.Float64(nullable=True)
    stop_code = dy.String(nullable=True)
    reason_code = dy.String()
    reason_args = dy.String()


class TrialWanted(dy.Schema):
    """Rows of `trial_wanted`."""

    setting = dy.String()
    part_now = dy.String(nullable=True)
    part = dy.String(nullable=True)
    wetness_class = dy.String(nullable=True)
    reason_code = dy.String()
    reason_args = dy.String()
    change_pct = dy.Float64(nullable=True)
    lo95 = dy.Float64(nullable=True)
    hi95 = dy.Float64(nullable=True)
    n = dy.Int64()
    step = dy.Float64()
    unit = dy.String()
    machine_id = dy.String()
    detect_pct = dy.Float64()
    pairs = dy.Int64(nullable=True)
    machine_days = dy.Float64(nullable=True)
    workshop_cost = dy.Float64(nullable=True)
    worth = dy.Float64(nullable=True)
