"""Result tables of advice, guide, piles and weather ahead; `sql/results/` says what a row of each is."""

import dataframely as dy


def _instant(*, nullable: bool = False) -> dy.Datetime:
    return dy.Datetime(time_unit="us", time_zone="UTC", nullable=nullable)


class Advice(dy.Schema):
    """Rows of `advice`."""

    machine_id = dy.String()
    field_id = dy.String(nullable=True)
    shift_date = dy.Date()
    verdict = dy.String()
    move_number = dy.Int64(nullable=True)
    setting = dy.String(nullable=True)
    from_value = dy.Float64(nullable=True)
    to_value = dy.Float64(nullable=True)
    unit = dy.String(nullable=True)
    dirt_change_pct = dy.Float64(nullable=True)
    dirt_lo95 = dy.Float64(nullable=True)
    dirt_hi95 = dy.Float64(nullable=True)
    root_loss_change_pct = dy.Float64(nullable=True)
    root_loss_lo95 = dy.Float64(nullable=True)
    root_loss_hi95 = dy.Float64(nullable=True)
    tops_change_pct = dy.Float64(nullable=True)
    tops_lo95 = dy.Float64(nullable=True)
    tops_hi95 = dy.Float64(nullable=True)
    over_topped_change_pct = dy.Float64(nullable=True)
    over_topped_lo95 = dy.Float64(nullable=True)
    over_topped_hi95 = dy.Float64(nullable=True)
    damaged_change_pct = dy.Float64(nullable=True)
    damaged_lo95 = dy.Float64(nullable=True)
    damaged_hi95 = dy.Float64(nullable=True)
    gain_per_t = dy.Float64(nullable=True)
    gain_lo95 = dy.Float64(nullable=True)
    gain_hi95 = dy.Float64(nullable=True)
    total_gain_per_t = dy.Float64(nullable=True)
    total_lo95 = dy.Float64(nullable=True)
    total_hi95 = dy.Float64(nullable=True)
    cost_per_t = dy.Float64(nullable=True)
    cost_lo95 = dy.Float64(nullable=True)
    cost_hi95 = dy.Float64(nullable=True)
    gain_soil_per_t = dy.Float64(nullable=True)
    gain_roots_per_t = dy.Float64(nullable=True)
    gain_pile_per_t = dy.Float64(nullable=True)
    gain_hours_per_t = dy.Float64(nullable=True)
    gain_tops_per_t = dy.Float64(nullable=True)
    dirt_before_pct = dy.Float64(nullable=True)
    dirt_after_pct = dy.Float64(nullable=True)
    root_loss_before_t_ha = dy.Float64(nullable=True)
    root_loss_after_t_ha = dy.Float64(nullable=True)
    tops_before_pct = dy.Float64(nullable=True)
    tops_after_pct = dy.Float64(nullable=True)
    over_topped_before_pct = dy.Float64(nullable=True)
    over_topped_after_pct = dy.Float64(nullable=True)
    damaged_before_pct = dy.Float64(nullable=True)
    damaged_after_pct = dy.Float64(nullable=True)
    probability_better = dy.Float64(nullable=True)
    n = dy.Int64(nullable=True)
    wetness_class = dy.String(nullable=True)
    soil_class = dy.String(nullable=True)
    topsoil_wetness = dy.Float64(nullable=True)
    outlook = dy.String(nullable=True)
    reason_code = dy.String()
    reason_args = dy.String()


class AdviceIssued(Advice):
    """Rows of the state table `advice_issued`: advice as a run issued it, and the fit it rests on."""

    issued_at = _instant(nullable=True)
    fitted_at = _instant(nullable=True)
    had_loads = dy.Bool(nullable=True)
    is_withheld = dy.Bool(nullable=True)


class Guide(dy.Schema):
    """Rows of `guide`."""

    generation = dy.String()
    wetness_class = dy.String()
    soil_class = dy.String()
    setting = dy.String()
    unit = dy.String(nullable=True)
    start_value = dy.Float64(nullable=True)
    range_lo = dy.Float64(nullable=True)
    range_hi = dy.Float64(nullable=True)
    tried_lo = dy.Float64(nullable=True)
    tried_hi = dy.Float64(nullable=True)
    usual_value = dy.Float64(nullable=True)
    n = dy.Int64(nullable=True)
    reason_code = dy.String()
    reason_args = dy.String()


class GuideClass(dy.Schema):
    """Rows of `guide_class`."""

    generation = dy.String()
    wetness_class = dy.String()
    soil_class = dy.String()
    n = dy.Int64(nullable=True)
    dirt_pct = dy.Float64(nullable=True)
    dirt_lo95 = dy.Float64(nullable=True)
    dirt_hi95 = dy.Float64(nullable=True)
    root_loss_t_ha = dy.Float64(nullable=True)
    root_loss_lo95 = dy.Float64(nullable=True)
    root_loss_hi95 = dy.Float64(nullable=True)
    cost_per_t = dy.Float64(nullable=True)
    cost_lo95 = dy.Float64(nullable=True)
    cost_hi95 = dy.Float64(nullable=True)
    saved_per_t = dy.Float64(nullable=True)
    saved_lo95 = dy.Float64(nullable=True)
    saved_hi95 = dy.Float64(nullable=True)
    reason_code = dy.String()
    reason_args = dy.String()


class GuideCurve(dy.Schema):
    """Rows of `guide_curve`."""

    generation = dy.String()
    wetness_class = dy.String()
    soil_class = dy.String()
    setting = dy.String()
    value = dy.Float64()
    cost_change_per_t = dy.Float64(nullable=True)
    lo95 = dy.Float64(nullable=True)
    hi95 = dy.Float64(nullable=True)


class GuideWorth(dy.Schema):
    """Rows of `guide_worth`."""

    generation = dy.String(nullable=True)
    wetness_class = dy.String(nullable=True)
    soil_class = dy.String(nullable=True)
    soil_free_t = dy.Float64()
    saved = dy.Float64()
    lo95 = dy.Float64()
    hi95 = dy.Float64()


class PartAdvice(dy.Schema):
    """Rows of `part_advice`."""

    machine_id = dy.String()
    field_id = dy.String()
    place = dy.String()
    part_now = dy.String()
    part = dy.String()
    from_date = dy.Date()
    to_date = dy.Date()
    wetness_class = dy.String()
    change_pct = dy.Float64()
    lo95 = dy.Float64()
    hi95 = dy.Float64()
    machines = dy.Int64()
    n = dy.Int64()
    clean_t = dy.Float64()
    workshop_cost = dy.Float64()
    gain = dy.Float64()
    gain_lo95 = dy.Float64()
    gain_hi95 = dy.Float64()
    probability_better = dy.Float64()
    trial_pairs = dy.Int64(nullable=True)
    trial_detect_pct = dy.Float64()
    trial_cost = dy.Float64(nullable=True)
    verdict = dy.String()
    reason_code = dy.String()
    reason_args = dy.String()


class SeasonCost(dy.Schema):
    """Rows of `season_cost`."""

    part = dy.String()
    mass_t = dy.Float64()
    mass_lo95 = dy.Float64(nullable=True)
    mass_hi95 = dy.Float64(nullable=True)
    money = dy.Float64()
    money_lo95 = dy.Float64(nullable=True)
    money_hi95 = dy.Float64(nullable=True)
    n = dy.Int64()


class Storability(dy.Schema):
    """Rows of `storability`."""

    load_id = dy.String()
    site_id = dy.String(nullable=True)
    shift_date = dy.Date(nullable=True)
    root_temp_c = dy.Float64()
    dirt_tare_pct = dy.Float64()
    top_tare_pct = dy.Float64(nullable=True)
    soil_free_t = dy.Float64()
    damaged_pct = dy.Float64()
    loss_kg_per_t = dy.Float64()
    loss_now_kg_per_t_day = dy.Float64()
    pile_mean_c = dy.Float64()
    age_days = dy.Int64()
    planned_days = dy.Float64()
    storability = dy.String()
    reason_code = dy.String()
    reason_args = dy.String()


class NextCondition(dy.Schema):
    """Rows of `next_condition`."""

    field_id = dy.String()
    shift_date = dy.Date()
    topsoil_wetness = dy.Float64(nullable=True)
    air_temp_c = dy.Float64(nullable=True)
    air_temp_10d_c = dy.Float64(nullable=True)
    rain_mm = dy.Float64(nullable=True)
    outlook = dy.String()


class WeatherFilled(dy.Schema):
    """Rows of `weather_filled`."""

    station_id = dy.String()
    hour_at = _instant()
    air_temp_c = dy.Float64()
    humidity_pct = dy.Float64()
    wind_m_s = dy.Float64()
    irradiation_mj_m2 = dy.Float64()
    rain_mm = dy.Float64()
    filled = dy.String(nullable=True)
