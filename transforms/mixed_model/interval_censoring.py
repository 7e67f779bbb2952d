"""Values known only to lie in an interval, fitted as such by the linear mixed model.

A value rounded to whole percent, or stated as "below 2", says that z lies between l and u. With the current fitted
value eta and its error's standard deviation s, a = (l - eta) / s, b = (u - eta) / s and P = Phi(b) - Phi(a), the score
and the information of the interval are those of a normal observation with

    z* = eta + s m / w,   variance s2 / w,   m = (phi(a) - phi(b)) / P,   w = m2 + (b phi(b) - a phi(a)) / P    (24)

where m is the mean of a standard normal variable between a and b, m2 its square, and 1 - w its variance there. So the
linear model for z* gives the next eta, and so on: iteratively reweighted least squares for the Tobit likelihood (Tobin
1958; Amemiya 1984). A narrow interval has w near 1; one that holds nearly all of the distribution has w near 0.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from scipy.special import ndtr

from transforms.arrays import Array
from transforms.mixed_model.quasi_likelihood import WorkingResponse

Fit = TypeVar("Fit")
MAX_ITERATIONS = 12
SETTLED = 0.01
"""The iteration ends when the root mean square change of eta is below this fraction of the errors' deviation."""
FARTHEST = 6.0
"""Distance of an interval from eta, in standard deviations, up to which its moments are computed."""
MIN_INFORMATION = 0.01
"""Lower bound of w: an interval that holds nearly everything keeps a weight of a hundredth."""


@dataclass(frozen=True)
class Intervals:
    """Intervals of z.

    Attributes:
        low: lower ends, -inf for a value stated as below a limit, shape (n,).
        high: upper ends, shape (n,).
    """

    low: Array
    high: Array


def interval_response(intervals: Intervals, eta: Array, sd: Array, s2: float) -> WorkingResponse:
    """Return the working response (24); its variance is that beyond s2, as for counts.

    Args:
        intervals: the intervals, n of them.
        eta: fitted values, shape (n,).
        sd: standard deviation of each error, shape (n,).
        s2: residual variance without that of measurement.
    """
    near = np.clip(eta, intervals.low - FARTHEST * sd, intervals.high + FARTHEST * sd)
    a, b = (intervals.low - near) / sd, (intervals.high - near) / sd
    # The upper tail is computed as the lower one of the mirrored interval, where probabilities keep their digits.
    mirrored = a > 0
    a, b = np.where(mirrored, -b, a), np.where(mirrored, -a, b)
    P = np.maximum(ndtr(b) - ndtr(a), 1e-300)
    at_a, at_b = _density(a), _density(b)
    m = (at_a - at_b) / P
    finite = np.where(np.isfinite(a), a, 0.0)
    w = np.clip(m**2 + (b * at_b - finite * at_a) / P, MIN_INFORMATION, 1.0)
    m = np.where(mirrored, -m, m)
    return WorkingResponse(near + sd * m / w, sd**2 / w - s2)


def _density(x: Array) -> Array:
    """Return the density of a standard normal variable."""
    return np.asarray(np.exp(-(x**2) / 2) / np.sqrt(2 * np.pi))


def fit_intervals(
    intervals: Intervals,
    measuring: Array,
    start: tuple[Fit, Array, float],
    fit: Callable[[WorkingResponse, Fit], tuple[Fit, Array, float]],
) -> Fit:
    """Fit intervals by repeated fits of a linear mixed model.

    Args:
        intervals: the intervals, n of them.
        measuring: variance of the measurement before rounding, shape (n,).
        start: a fit of the middles, its fitted values, shape (n,), and its residual variance.
        fit: fits z with error variance s2 + v, starting from the fit before; returns the same three.
    """
    found, eta, s2 = start
    for _ in range(MAX_ITERATIONS):
        sd = np.sqrt(s2 + measuring)
        found, fitted, s2 = fit(interval_response(intervals, eta, sd, s2), found)
        moved, eta = fitted - eta, fitted
        if float(np.sqrt(np.mean((moved / sd) ** 2))) < SETTLED:
            break
    return found
