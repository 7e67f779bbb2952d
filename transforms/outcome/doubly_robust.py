"""Doubly robust contrast of treated with untreated units, with intervals from leaving out one cluster at a time.

With Y the outcome, A = 1 for treated units, X the covariates, w the weights, m0(X) a linear model of Y of the untreated
and e(X) a logistic model of P(A = 1),

    tau = sum_A w (Y - m0) / sum_A w - sum_(1-A) v (Y - m0) / sum_(1-A) v,   v = w e / (1 - e)                    (31)

is the mean effect on the treated if either model holds (Robins, Rotnitzky and Zhao 1994; as a contrast of the treated,
Sant'Anna and Zhao 2020; both from memory). Its standard error is the jackknife over the G clusters, with t quantiles of
G - 1 degrees of freedom.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit
from scipy.stats import t as student

Array = NDArray[np.float64]
PROPENSITY_RANGE = (0.05, 0.95)
"""Bounds of e, so that no unit counts more than 19 times another (common practice, no source)."""
RIDGE = 1.0
"""Penalty of the logistic coefficients of standardised covariates: one unit decides little, also if few are treated."""
ITERATIONS = 25


@dataclass(frozen=True)
class Units:
    """Units of an observational comparison.

    Attributes:
        outcome: Y, shape (n,).
        treated: A, shape (n,).
        covariates: X without a constant, shape (n, k).
        weight: w, shape (n,).
        cluster: cluster of each unit, 0 to G - 1, shape (n,).
    """

    outcome: Array
    treated: NDArray[np.bool_]
    covariates: Array
    weight: Array
    cluster: NDArray[np.int64]

    def take(self, rows: NDArray[np.bool_]) -> "Units":
        """Return some of the units."""
        parts = (self.outcome, self.treated, self.covariates, self.weight, self.cluster)
        return Units(*(part[rows] for part in parts))  # type: ignore[arg-type]


class Estimate(NamedTuple):
    """Estimate with its standard error and 95 % interval."""

    value: float
    error: float
    lo95: float
    hi95: float


def _with_constant(X: Array) -> Array:
    centre, scale = X.mean(axis=0), X.std(axis=0)
    return np.column_stack([np.ones(X.shape[0]), (X - centre) / np.where(scale > 0, scale, 1.0)])


def _propensity(X: Array, treated: NDArray[np.bool_]) -> Array:
    """Return the probability of treatment of each unit from a ridge logistic model, by Newton's method."""
    penalty = np.diag([1e-6, *[RIDGE] * (X.shape[1] - 1)])
    b = np.zeros(X.shape[1])
    for _ in range(ITERATIONS):
        p = expit(X @ b)
        step = np.linalg.solve(X.T @ (X * (p * (1 - p))[:, None]) + penalty, X.T @ (treated - p) - penalty @ b)
        b = b + step
        if np.abs(step).max() < 1e-8:
            break
    return np.asarray(np.clip(expit(X @ b), *PROPENSITY_RANGE))


def contributions(units: Units) -> Array:
    """Return the terms of (31), shape (n,): their mean over the treated, weighted with w, is the effect on the treated.

    That of a treated unit is its outcome less that of the model and less the second mean of (31); that of an untreated
    unit is nan.
    """
    X, a, w = _with_constant(units.covariates), units.treated, units.weight
    root = np.sqrt(w[~a])
    coefficients = np.linalg.lstsq(X[~a] * root[:, None], units.outcome[~a] * root, rcond=None)[0]
    left = units.outcome - X @ coefficients
    e = _propensity(X, a)
    v = w * e / (1 - e)
    return np.where(a, left - np.average(left[~a], weights=v[~a]), np.nan)


def effect_on_treated(units: Units) -> float:
    """Return the doubly robust mean effect on the treated, (31)."""
    a = units.treated
    return float(np.average(contributions(units)[a], weights=units.weight[a]))


def effect_on_untreated(units: Units) -> float:
    """Return the mean effect that treatment would have had on the untreated."""
    return -effect_on_treated(replace(units, treated=~units.treated))


def regression_contrast(units: Units) -> float:
    """Return the coefficient of the treatment beside the covariates: its mean effect if it was drawn by lot."""
    X = np.column_stack([_with_constant(units.covariates), units.treated.astype(np.float64)])
    root = np.sqrt(units.weight)
    return float(np.linalg.lstsq(X * root[:, None], units.outcome * root, rcond=None)[0][-1])


def jackknife(units: Units, statistic: Callable[[Units], float]) -> Estimate:
    """Return a statistic with the error that leaving out one cluster at a time gives.

    Args:
        units: the units; each cluster may be left out without leaving only treated or only untreated units.
        statistic: the statistic.

    Returns:
        The statistic, its standard error and its 95 % interval by Student's t, in the unit of the statistic.
    """
    value, clusters = statistic(units), np.unique(units.cluster)
    g = clusters.size
    left_out = np.array([statistic(units.take(units.cluster != c)) for c in clusters])
    error = float(np.sqrt((g - 1) / g * ((left_out - left_out.mean()) ** 2).sum()))
    half = float(student.ppf(0.975, g - 1)) * error
    return Estimate(value, error, value - half, value + half)
