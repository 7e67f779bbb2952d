"""All checks of a fit as rows of `fit_check`: value, bound, verdict and reason."""

from collections.abc import Callable

import numpy as np
import polars as pl

from transforms.arrays import to_float
from transforms.contracts.reason import Reason, reason
from transforms.contracts.result_tables import schema_of
from transforms.model.checks.bootstrap import ALARM, POOR, bootstrap_coverage
from transforms.model.checks.influence import influence, robust_ratio
from transforms.model.checks.placebo import placebo
from transforms.model.checks.sampling import sampling_rate
from transforms.model.checks.validation import MAX_RATIO_TO_BOOSTING, Validation, later_week, out_of_field
from transforms.model.confounding import confounding
from transforms.model.fit_result import ResponseFit
from transforms.model.hidden_dirt import hidden_dirt
from transforms.model.hidden_reaction import TOLERABLE_SE, reaction_within_visits
from transforms.model.plain_fit import rounding_of
from transforms.model.previous_season import DENIED_WEIGHT
from transforms.model.response_scale import is_counted

CHECK_SCHEMA = schema_of("fit_check")
PLACEBO_P = 0.01
"""Minimum p value of the placebo test."""
MAX_INFLUENCE_SE = 2.0
"""Maximum change of an effect without one field or machine, in standard errors."""
MAX_ROBUST_RATIO = 2.0
"""Maximum ratio of standard errors clustered by machine and by day to the model's."""
MAX_BALANCE = 0.8
"""Maximum correlation of a setting with wetness between visits."""
MAX_SAMPLING_Z = 3.0
"""Maximum standard score of the expected response of measured loads; exceeded in 0.3 % of seasons by chance."""
MIN_SENSOR_RELIABILITY = 0.9
"""Minimum reliability of a sensor's departures from its visit mean (common practice, no source)."""
MAX_AT_FLOOR = 0.25
"""Maximum share of values at the laboratory's floor (common practice, no source)."""
MAX_FAR_SHARE = 0.01
"""Maximum share of rows beyond 3.5 standard deviations (common practice, no source).

Fits are Huberised from a third of it. In seasons with 3 % gross errors their intervals cover 95 %, so fewer outliers
are no reason to distrust effects; one sample in a hundred is a reason to look for mislabelled ones.
"""
MAX_BOOTSTRAP_COEFFICIENTS = 4000
"""Maximum size of a model that is bootstrapped."""
Row = dict[str, object]


def _row(check: str, value: float, bound: float, why: Reason, *, passed: bool) -> Row:
    """Return the row of a check."""
    return {"check": check, "value": value, "bound": bound, "passed": passed, **why.columns}


def _not_run(check: str, bound: float, why: Reason) -> Row:
    """Return the row of a check that is not possible."""
    return {"check": check, "value": None, "bound": bound, "passed": None, **why.columns}


def _placebo(fit: ResponseFit) -> Row:
    found = placebo(fit)
    if found is None:
        return _not_run("placebo", PLACEBO_P, reason("placebo_few_loads"))
    fine = found.p_value >= PLACEBO_P
    why = reason("placebo_without_effect" if fine else "placebo_with_effect")
    return _row("placebo", found.p_value, PLACEBO_P, why, passed=fine)


def _out_of_field(fit: ResponseFit) -> list[Row]:
    found = out_of_field(fit)
    if found is None:
        return [_not_run("out_of_field", MAX_RATIO_TO_BOOSTING, reason("few_fields_to_leave_out"))]
    return _prediction(
        "out_of_field", found, reason("error_on_unseen_fields", ratio=found.boosting.ratio, rows=found.rows)
    )


def _later_week(fit: ResponseFit) -> list[Row]:
    found = later_week(fit)
    if found is None:
        return [_not_run("later_week", MAX_RATIO_TO_BOOSTING, reason("few_weeks_to_leave_out"))]
    return _prediction(
        "later_week", found, reason("error_on_unseen_weeks", ratio=found.boosting.ratio, rows=found.rows)
    )


def _prediction(name: str, found: Validation, why: Reason) -> list[Row]:
    """Return the rows that compare errors of prediction with those of gradient boosting and of the last load."""
    boosting, last = found.boosting, found.last_load
    return [
        _row(name, boosting.ratio, boosting.bound, why, passed=boosting.ratio <= boosting.bound),
        _row(
            f"{name}_last_load",
            last.ratio,
            last.bound,
            reason("error_to_last_load", ratio=last.ratio),
            passed=last.ratio <= last.bound,
        ),
    ]


def _influence_of_field(fit: ResponseFit) -> list[Row]:
    found = influence(fit, "field")
    if found is None:
        return [_not_run("influence_field", MAX_INFLUENCE_SE, reason("few_fields"))]
    moved = {"setting": found.setting, "standard_errors": found.worst_se}
    why, fine = reason("influence_of_field", field_id=str(found.level), **moved), found.worst_se <= MAX_INFLUENCE_SE
    return [_row("influence_field", found.worst_se, MAX_INFLUENCE_SE, why, passed=fine)]


def _influence_of_machine(fit: ResponseFit) -> list[Row]:
    found = influence(fit, "machine")
    if found is None:
        return [_not_run("influence_machine", MAX_INFLUENCE_SE, reason("few_machines"))]
    moved = {"setting": found.setting, "standard_errors": found.worst_se}
    why, fine = reason("influence_of_machine", machine_id=str(found.level), **moved), found.worst_se <= MAX_INFLUENCE_SE
    ratio = robust_ratio(fit)
    return [
        _row("influence_machine", found.worst_se, MAX_INFLUENCE_SE, why, passed=fine),
        _row(
            "robust_errors",
            ratio,
            MAX_ROBUST_RATIO,
            reason("robust_to_model_errors", ratio=ratio),
            passed=ratio <= MAX_ROBUST_RATIO,
        ),
    ]


def _balance(fit: ResponseFit) -> Row:
    table = confounding(fit).drop_nulls("wetness_balance")
    if not table.height:
        return _not_run("balance", MAX_BALANCE, reason("no_condition_varies"))
    worst = table.sort(pl.col("wetness_balance").abs(), descending=True).row(0, named=True)
    value = abs(worst["wetness_balance"])
    why = reason("follows_wetness", setting=worst["setting"], correlation=worst["wetness_balance"])
    return _row("balance", value, MAX_BALANCE, why, passed=value <= MAX_BALANCE)


def _tails(fit: ResponseFit) -> Row:
    t, far_pct = fit.tails, 100 * fit.tails.far_share
    why = reason("tails", far_pct=far_pct)
    if t.is_huberised:
        why = reason("tails_huberised", far_pct=far_pct, standard_errors=t.largest_move_se)
    return _row("tails", t.far_share, MAX_FAR_SHARE, why, passed=t.far_share <= MAX_FAR_SHARE)


def _site_days(fit: ResponseFit) -> Row:
    """Check the residual means of a factory's days, which a laboratory error on one day inflates."""
    if "site_id" not in fit.rows.columns:
        return _not_run("site_day", 1.0, reason("no_site"))
    standard = fit.residual / np.sqrt(fit.reml.residual + fit.known)
    table = fit.rows.select("site_id", "shift_date").with_columns(pl.Series("r", standard))
    days = (
        table.group_by("site_id", "shift_date", maintain_order=True)
        .agg(pl.col("r").mean(), pl.len())
        .filter(pl.col("len") >= 5)
    )
    if days.height < 5:
        return _not_run("site_day", 1.0, reason("few_site_days"))
    left = to_float((days["r"] ** 2 * days["len"]).mean())
    return _row("site_day", left, 1.5, reason("site_day_means", ratio=left), passed=left <= 1.5)


def _coverage(fit: ResponseFit) -> Row:
    if fit.reml.coef.size > MAX_BOOTSTRAP_COEFFICIENTS:
        return _not_run("coverage", POOR, reason("model_too_large_for_bootstrap"))
    found = bootstrap_coverage(fit)
    why = reason("bootstrap_coverage", covered_pct=100 * found.share, intervals=found.n)
    return _row("coverage", found.share, found.bound, why, passed=found.evidence < ALARM)


def _last_season(fit: ResponseFit) -> list[Row]:
    found = fit.last_season
    if found is None:
        return []
    denied, n = found.denied, len(found.weights)
    if not denied:
        why = reason("last_season_used")
    elif len(denied) == n:
        why = reason("last_season_contradicted")
    else:
        why = reason("last_season_partly", n=n, used=n - len(denied), setting=denied)
    return [_row("last_season", min(found.weights.values()), DENIED_WEIGHT, why, passed=not denied)]


def _successive_loads(fit: ResponseFit) -> list[Row]:
    """Check whether residuals of successive loads are alike, and whether operators react to what makes them so."""
    found = hidden_dirt(fit)
    if found is None:
        return [_not_run("successive_loads", TOLERABLE_SE, reason("few_successive_loads"))]
    reaction = reaction_within_visits(fit)
    if reaction is None:
        return [_row("successive_loads", 0.0, TOLERABLE_SE, reason("successive_unrelated", z=found.z), passed=True)]
    holds_pct = min(100 * reaction.tolerable_share, 100.0)
    figures = {"z": found.z, "share_pct": 100 * found.share, "holds_pct": holds_pct}
    why = reason("successive_reaction" if reaction.is_seen else "successive_related", **figures)
    return [_row("successive_loads", reaction.worst_se, TOLERABLE_SE, why, passed=not reaction.is_seen)]


def _sensor_noise(fit: ResponseFit) -> Row:
    """State the noise of sensors that the fit corrects for."""
    reliable = {s.name: r for s, r in zip(fit.frame.settings, fit.frame.sensors, strict=False)}
    if not reliable:
        return _row("sensor_noise", 1.0, MIN_SENSOR_RELIABILITY, reason("sensors_reliable"), passed=True)
    worst = min(reliable, key=lambda name: reliable[name])
    why = reason("sensors_noisy", setting=worst, reliable_pct=100 * reliable[worst])
    passed = reliable[worst] >= MIN_SENSOR_RELIABILITY
    return _row("sensor_noise", reliable[worst], MIN_SENSOR_RELIABILITY, why, passed=passed)


def _rounding(fit: ResponseFit) -> Row:
    """State the rounding step and the floor of the laboratory's values; values at the floor say little."""
    found = rounding_of(fit.rows, fit.response)
    if found is None:
        return _row("rounding", 0.0, MAX_AT_FLOOR, reason("values_exact"), passed=True)
    share_pct = 100 * found.floor_share
    if found.floor is None:
        why = reason("values_rounded", step_pct=found.step)
    elif found.step is None:
        why = reason("values_limited", floor_pct=found.floor, share_pct=share_pct)
    else:
        why = reason("values_rounded_limited", step_pct=found.step, floor_pct=found.floor, share_pct=share_pct)
    return _row("rounding", found.floor_share, MAX_AT_FLOOR, why, passed=found.floor_share <= MAX_AT_FLOOR)


def sampling_check(fit: ResponseFit, facts: pl.DataFrame) -> list[Row]:
    """Return the row of the check of sampling.

    Args:
        fit: the fit.
        facts: the facts that it was fitted to, with the loads that were not measured.
    """
    found = sampling_rate(fit, facts)
    if found is None:
        return [_not_run("sampling", MAX_SAMPLING_Z, reason("few_unmeasured_loads"))]
    excess_pct = 100 * float(np.expm1(abs(found.excess)))
    if abs(found.z) <= MAX_SAMPLING_Z:
        why = reason("sampled_at_random", z=found.z)
    else:
        why = reason("sampled_if_dirty" if found.z > 0 else "sampled_if_clean", z=found.z, excess_pct=excess_pct)
    return [_row("sampling", abs(found.z), MAX_SAMPLING_Z, why, passed=abs(found.z) <= MAX_SAMPLING_Z)]


CHECKS: dict[str, Callable[[ResponseFit], list[Row]]] = {
    "placebo": lambda fit: [_placebo(fit)],
    "out_of_field": _out_of_field,
    "later_week": _later_week,
    "coverage": lambda fit: [_coverage(fit)],
    "influence": lambda fit: [*_influence_of_field(fit), *_influence_of_machine(fit)],
    "balance": lambda fit: [_balance(fit)],
    "site_day": lambda fit: [_site_days(fit)],
    "tails": lambda fit: [_tails(fit)],
    "successive_loads": _successive_loads,
    "sensor_noise": lambda fit: [_sensor_noise(fit)],
    "rounding": lambda fit: [_rounding(fit)],
    "last_season": _last_season,
}
"""Every check, in the order of its rows."""
BY_REFITTING = {
    "coverage": ("coverage",),
    "out_of_field": ("out_of_field", "out_of_field_last_load"),
    "later_week": ("later_week", "later_week_last_load"),
}
"""Checks that refit the model, to part of the rows or to rows drawn from it -> their rows; longest running first.

They judge the model, not the last shift, so the results of the nightly run are kept until the next one.
"""
OF_VALUES = ("tails", "successive_loads", "sensor_noise", "rounding")
"""Checks that make no sense for counts."""


def checks_of(response: str) -> tuple[str, ...]:
    """Return the names of the checks of a response, in order.

    Counts are not refitted to parts of the rows: their working values depend on the fit itself, so that their error on
    rows left out says nothing. Their tails are those of counts, and their plots are not successive.
    """
    left_out = {*BY_REFITTING, *OF_VALUES} if is_counted(response) else set()
    return tuple(name for name in CHECKS if name not in left_out)


def check_rows(fit: ResponseFit, rows: list[Row]) -> pl.DataFrame:
    """Return rows of checks as a table of `fit_check`.

    Args:
        fit: the fit checked; gives the response and the last shift date.
        rows: `check, value, bound, passed` and the columns of the reason, as the functions of `CHECKS` return them.
    """
    about = {"response": fit.response, "last_shift_date": fit.last_shift_date}
    return pl.DataFrame([{**about, **r} for r in rows], schema=CHECK_SCHEMA)


def fit_checks(fit: ResponseFit) -> pl.DataFrame:
    """Return the `fit_check` rows of a fit; `passed` is null for a check that is not possible."""
    return check_rows(fit, [row for name in checks_of(fit.response) for row in CHECKS[name](fit)])
