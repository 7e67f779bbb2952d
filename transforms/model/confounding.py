"""Comparison of three estimates of a setting's effect: pooled, between visits, within visits."""

import numpy as np
import polars as pl

from transforms.contracts.reason import Reason, reason
from transforms.contracts.result_tables import schema_of
from transforms.mixed_model.contrasts import contrast
from transforms.model.effects import between_contrast, percent, slope_weights
from transforms.model.fit_result import ResponseFit
from transforms.model.visits import visit_means

CONFOUNDING_SCHEMA = schema_of("confounding")


def _naive(fit: ResponseFit, j: int) -> tuple[float, float]:
    """Return the slope of z on one setting over all loads and its standard error, by simple regression."""
    x, y = fit.x[fit.observed[:, j], j], fit.z[fit.observed[:, j]]
    moved = x - x.mean()
    slope = float(moved @ y / (moved @ moved))
    left = y - y.mean() - slope * moved
    return slope, float(np.sqrt(left @ left / max(x.size - 2, 1) / (moved @ moved)))


def _balance(fit: ResponseFit, j: int, condition: str) -> float | None:
    """Return the correlation of a setting's visit means with a condition; None if one of them is constant.

    It is far from 0 if operators adjust the setting to the condition.
    """
    if condition not in fit.rows.columns:
        return None
    visit = fit.visits
    mean = visit_means(fit.x[:, [j]], visit)[:, 0]
    value = fit.rows[condition].cast(pl.Float64).to_numpy()
    observed = fit.observed[:, j]
    if np.std(mean[observed]) < 1e-9 or np.std(value[observed]) < 1e-9:
        return None
    return float(np.corrcoef(mean[observed], value[observed])[0, 1])


def _comparison(naive: tuple[float, float], other: tuple[float, float] | None, within: float, p: float) -> Reason:
    """Return the difference of the pooled and the between estimate from the within estimate.

    Args:
        naive: pooled estimate and its standard error.
        other: estimate between visits and its standard error; None if it is not in the model.
        within: estimate within visits.
        p: p value of the estimate within visits.
    """
    if p >= 0.05:
        return reason("no_sign_flip")
    flips = [found is not None and abs(found[0]) > 2 * found[1] and found[0] * within < 0 for found in (naive, other)]
    if all(flips):
        return reason("sign_flips_pooled_and_between")
    if any(flips):
        is_pooled = flips[0]
        return reason("sign_flips_pooled" if is_pooled else "sign_flips_between")
    if other and abs(gap := other[0] - within) > 3 * other[1]:
        is_larger = gap * within > 0
        return reason("larger_between" if is_larger else "smaller_between")
    return reason("no_sign_flip")


def confounding(fit: ResponseFit) -> pl.DataFrame:
    """Return `confounding` rows: naive, between and within estimates in percent per step, and balance of the settings.

    `wetness_balance` and `clay_balance` are correlations of the setting's visit means with the condition.
    """
    rows = []
    for setting in fit.settings:
        j = fit.setting_column(setting)
        naive, other = _naive(fit, j), between_contrast(fit, setting)
        found = contrast(fit.reml, slope_weights(fit, setting, fit.observed[:, j]))
        low, high = found.interval()
        row = {
            "response": fit.response,
            "setting": setting,
            "naive_pct": percent(naive[0]),
            "naive_lo95": percent(naive[0] - 1.96 * naive[1]),
            "naive_hi95": percent(naive[0] + 1.96 * naive[1]),
            "within_pct": percent(found.estimate),
            "within_lo95": percent(low),
            "within_hi95": percent(high),
            "wetness_balance": _balance(fit, j, "topsoil_wetness"),
            "clay_balance": _balance(fit, j, "clay_pct"),
            **_comparison(naive, other, found.estimate, found.p_value).columns,
        }
        if other:
            row |= {
                "between_pct": percent(other[0]),
                "between_lo95": percent(other[0] - 1.96 * other[1]),
                "between_hi95": percent(other[0] + 1.96 * other[1]),
            }
        rows.append(row)
    return pl.DataFrame(rows, schema=CONFOUNDING_SCHEMA)
