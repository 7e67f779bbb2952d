"""All checks of a fit as rows of `fit_check`: value, bound, verdict and sentence."""

from collections.abc import Callable

import numpy as np
import polars as pl

from transforms.contracts.sentence import ArgKind, Sentence, numbers
from transforms.mixed_model.huber import FAR_SHARE
from transforms.model.checks.bootstrap import bootstrap_coverage
from transforms.model.checks.influence import influence
from transforms.model.checks.placebo import placebo
from transforms.model.checks.validation import Validation, later_week, out_of_field
from transforms.model.confounding import confounding
from transforms.model.fit_result import ResponseFit
from transforms.model.previous_season import DENIED_P

CHECK_SCHEMA = {
    "response": pl.String,
    "check": pl.String,
    "value": pl.Float64,
    "bound": pl.Float64,
    "passed": pl.Boolean,
    "says": pl.String,
    "last_shift_date": pl.Date,
    "says_template": pl.String,
    "says_args": pl.String,
}
PLACEBO_P = 0.01
"""Minimum p value of the placebo test."""
MAX_RATIO_TO_BOOSTING = 1.02
"""Maximum error relative to gradient boosting's."""
MIN_COVERAGE = 0.90
"""Minimum share of bootstrap intervals that cover the truth."""
MAX_INFLUENCE_SE = 2.0
"""Maximum change of an effect without one field or machine, in standard errors."""
MAX_ROBUST_RATIO = 2.0
"""Maximum ratio of cluster-robust to model standard errors."""
MAX_BALANCE = 0.8
"""Maximum correlation of a setting with wetness between visits."""
MAX_BOOTSTRAP_COEFFICIENTS = 4000
"""Maximum size of a model that is bootstrapped."""
Row = dict[str, object]


def _row(check: str, value: float | None, bound: float | None, *, passed: bool | None, says: str | Sentence) -> Row:
    """Return one row of a check."""
    sentence = Sentence(says) if isinstance(says, str) else says
    return {
        "check": check,
        "value": value,
        "bound": bound,
        "passed": passed,
        "says": sentence.text,
        "says_template": sentence.template,
        "says_args": sentence.stored_args,
    }


def _placebo(fit: ResponseFit) -> Row:
    found = placebo(fit)
    if found is None:
        return _row("placebo", None, PLACEBO_P, passed=None, says="too few loads follow each other within a visit")
    fine = found.p_value >= PLACEBO_P
    says = (
        "the next load's settings explain nothing, as it must be"
        if fine
        else (
            "the next load's settings seem to matter: drivers react to the load before, or loads are traced to a "
            "neighbour's minutes; read the effects with care and settle them by a trial"
        )
    )
    return _row("placebo", found.p_value, PLACEBO_P, passed=fine, says=says)


def _prediction(name: str, what: str, found: Validation | None) -> list[Row]:
    if found is None:
        return [_row(name, None, MAX_RATIO_TO_BOOSTING, passed=None, says=f"too few {what} to leave some out")]
    fine = found.ratio <= MAX_RATIO_TO_BOOSTING
    says = numbers(
        f"error on {what} not seen is {{0}} times gradient boosting's ({{1}} rows)",
        f"{found.ratio:.3f}",
        f"{found.rows}",
    )
    better = found.model / found.last_load
    return [
        _row(name, found.ratio, MAX_RATIO_TO_BOOSTING, passed=fine, says=says),
        _row(
            f"{name}_last_load",
            better,
            1.0,
            passed=better <= 1,
            says=numbers("{0} times the error of 'as the last load'", f"{better:.2f}"),
        ),
    ]


def _influences(fit: ResponseFit) -> list[Row]:
    rows = []
    for factor in ("field", "machine"):
        found = influence(fit, factor)
        if found is None:
            rows.append(
                _row(f"influence_{factor}", None, MAX_INFLUENCE_SE, passed=None, says=f"fewer than five {factor}s")
            )
            continue
        says = Sentence(
            f"without {factor} {{0}} the effect of {{1}} moves by {{2}} of its errors",
            [
                (ArgKind.ID, str(found.level)),
                (ArgKind.SETTING, found.setting),
                (ArgKind.NUMBER, f"{found.worst_se:.1f}"),
            ],
        )
        fine = found.worst_se <= MAX_INFLUENCE_SE
        rows.append(_row(f"influence_{factor}", found.worst_se, MAX_INFLUENCE_SE, passed=fine, says=says))
        if factor == "machine":
            ratio = found.robust_ratio
            says = numbers("errors by cluster of machines are up to {0} times the model's", f"{ratio:.2f}")
            rows.append(_row("robust_errors", ratio, MAX_ROBUST_RATIO, passed=ratio <= MAX_ROBUST_RATIO, says=says))
    return rows


def _balance(fit: ResponseFit) -> Row:
    table = confounding(fit).drop_nulls("wetness_balance")
    if not table.height:
        return _row("balance", None, MAX_BALANCE, passed=None, says="no condition varies")
    worst = table.sort(pl.col("wetness_balance").abs(), descending=True).row(0, named=True)
    value = abs(worst["wetness_balance"])
    says = Sentence(
        "{0} follows wetness most from visit to visit (correlation {1})",
        [(ArgKind.SETTING, worst["setting"]), (ArgKind.NUMBER, f"{worst['wetness_balance']:.2f}")],
    )
    return _row("balance", value, MAX_BALANCE, passed=value <= MAX_BALANCE, says=says)


def _tails(fit: ResponseFit) -> Row:
    t = fit.tails
    far = "{0} % of rows lie beyond 3.5 standard deviations (a normal law: 0.05 %)"
    says = numbers(far, f"{100 * t.far_share:.2f}")
    if t.drawn_in:
        says = numbers(
            far + "; they were drawn in, which moved effects by at most {1} of their errors",
            f"{100 * t.far_share:.2f}",
            f"{t.largest_move_se:.1f}",
        )
    return _row("tails", t.far_share, FAR_SHARE, passed=not t.heavy, says=says)


def _site_days(fit: ResponseFit) -> Row:
    """Check the residual means of a factory's days, which a laboratory error on one day inflates."""
    if "site_id" not in fit.rows.columns:
        return _row("site_day", None, 1.0, passed=None, says="no site is known")
    standard = fit.residual / np.sqrt(fit.reml.residual + fit.known)
    table = fit.rows.select("site_id", "shift_date").with_columns(pl.Series("r", standard))
    days = (
        table.group_by("site_id", "shift_date", maintain_order=True)
        .agg(pl.col("r").mean(), pl.len())
        .filter(pl.col("len") >= 5)
    )
    if days.height < 5:
        return _row("site_day", None, 1.0, passed=None, says="too few days of a factory with five loads")
    left = float((days["r"] ** 2 * days["len"]).mean())  # type: ignore[arg-type]
    says = numbers("residual means of a factory's days are {0} times as spread as chance makes them", f"{left:.2f}")
    return _row("site_day", left, 1.5, passed=left <= 1.5, says=says)


def _coverage(fit: ResponseFit) -> Row:
    if fit.reml.coef.size > MAX_BOOTSTRAP_COEFFICIENTS:
        return _row(
            "coverage", None, MIN_COVERAGE, passed=None, says="not drawn again: the model is large; see METHODS.md"
        )
    covered, n = bootstrap_coverage(fit)
    says = numbers(
        "{0} % of {1} intervals hold the coefficient that data drawn from this fit were made with",
        f"{100 * covered:.0f}",
        f"{n}",
    )
    return _row("coverage", covered, MIN_COVERAGE, passed=covered >= MIN_COVERAGE, says=says)


def _last_season(fit: ResponseFit) -> list[Row]:
    found = fit.last_season
    if found is None:
        return []
    says = "last season's {0} coefficients agree with this one's and steady them"
    if found.denied:
        says = "last season's {0} coefficients do not agree with this one's: they are not used"
    sentence = numbers(says, f"{found.coefficients}")
    return [_row("last_season", found.p_value, DENIED_P, passed=not found.denied, says=sentence)]


CHECKS: dict[str, Callable[[ResponseFit], list[Row]]] = {
    "placebo": lambda fit: [_placebo(fit)],
    "out_of_field": lambda fit: _prediction("out_of_field", "fields", out_of_field(fit)),
    "later_week": lambda fit: _prediction("later_week", "weeks", later_week(fit)),
    "coverage": lambda fit: [_coverage(fit)],
    "influence": _influences,
    "balance": lambda fit: [_balance(fit)],
    "site_day": lambda fit: [_site_days(fit)],
    "tails": lambda fit: [_tails(fit)],
    "last_season": _last_season,
}
"""Every check, in the order of its rows."""
BY_REFITTING = {
    "out_of_field": ("out_of_field", "out_of_field_last_load"),
    "later_week": ("later_week", "later_week_last_load"),
    "coverage": ("coverage",),
}
"""Checks that refit the model, to part of the rows or to rows drawn from it -> their rows.

They judge the model, not the last shift, so the results of the nightly run are kept until the next one.
"""


def check_rows(fit: ResponseFit, rows: list[Row]) -> pl.DataFrame:
    """Return rows of checks as a table of `fit_check`."""
    about = {"response": fit.response, "last_shift_date": fit.last_shift_date}
    return pl.DataFrame([{**about, **r} for r in rows], schema=CHECK_SCHEMA)


def fit_checks(fit: ResponseFit) -> pl.DataFrame:
    """Return the `fit_check` rows of a fit; `passed` is null for a check that is not possible."""
    return check_rows(fit, [row for check in CHECKS.values() for row in check(fit)])
