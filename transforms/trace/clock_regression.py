"""Joint regression of sites' and machines' clocks, the driving time and the departures on tickets; (2.4)."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from transforms.trace.day_clocks import (
    HEAVY,
    USUAL_LAG_MIN,
    USUAL_LAG_SD_MIN,
    USUAL_MIN_PER_KM,
    USUAL_MIN_PER_KM_SD,
)

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
RIGHT_CLOCK_SD_MIN, REPORT_SD_MIN = 1.0, 2.0
"""Standard deviation of correct clocks, including roads and trucks, and of the moment that tickets report as the
departure, against the usual one (common practice, no source); the offset of a wrong clock or moment is unbounded."""
ITERATIONS = 12


class Regression(NamedTuple):
    """Estimates of k clocks from n samples.

    Attributes:
        clock_min, clock_sd_min: value of each clock and its standard error, minutes, shape (k,).
        min_per_km: driving time.
        residual_min: shape (n,).
    """

    clock_min: Array
    clock_sd_min: Array
    min_per_km: float
    residual_min: Array


def solve_clocks(
    lag: Array, var: Array, km: Array, site: Ints, machine: Ints, is_machine: NDArray[np.bool_]
) -> Regression:
    """Return the clocks that explain the lags, by iteratively reweighted least squares.

    Args:
        lag: median lag of each sample, minutes, shape (n,).
        var: its variance, min^2, shape (n,).
        km: road distance, km, shape (n,).
        site: index of the site's clock among the k clocks, shape (n,).
        machine: index of the machine's clock, shape (n,); -1 for known drives, which begin at the reported departure.
        is_machine: True for machines' clocks, shape (k,).
    """
    clocks, every = is_machine.size, np.arange(lag.size)
    with_machine, by_drive = np.flatnonzero(machine >= 0), np.flatnonzero(machine < 0)
    rows = np.concatenate([every, with_machine, by_drive, every])
    columns = [site, machine[with_machine], np.full(by_drive.size, clocks), np.full(lag.size, clocks + 1)]
    values = [np.ones(lag.size), np.full(with_machine.size, -1.0), np.ones(by_drive.size), km]
    x = csr_array((np.concatenate(values), (rows, np.concatenate(columns))), shape=(lag.size, clocks + 2))
    prior = np.append(np.where(is_machine, 0.0, USUAL_LAG_MIN), [0.0, USUAL_MIN_PER_KM])
    prior_sd = np.where(is_machine, RIGHT_CLOCK_SD_MIN, USUAL_LAG_SD_MIN)
    prior_var = np.append(prior_sd, [REPORT_SD_MIN, USUAL_MIN_PER_KM_SD]) ** 2
    is_wide = np.append(is_machine, [True, False])
    estimate, own_var, error_var, inverse = prior, prior_var, var, np.diag(prior_var)
    for _ in range(ITERATIONS):
        w = 1 / error_var
        inverse = np.linalg.inv((x.T @ x.multiply(w[:, None])).toarray() + np.diag(1 / own_var))
        estimate = inverse @ (x.T @ (w * lag) + prior / own_var)
        error_var = (HEAVY * var + (lag - x @ estimate) ** 2) / (HEAVY + 1)
        # The prior widens with the offset (a Cauchy prior), so a wrong clock is not shrunk.
        own_var = np.where(is_wide, (prior_var + estimate**2 + np.diag(inverse)) / 2, prior_var)
    sd = np.sqrt(np.diag(inverse))[:clocks]
    return Regression(estimate[:clocks], sd, float(estimate[-1]), lag - x @ estimate)
