"""Joint regression of sites' and machines' clocks, driving times, fields' roads and departures on tickets; (2.4)."""

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
HAUL_SD_MIN, HAUL_PRIOR_ROADS = 5.0, 5.0
"""Prior standard deviation of the drive from a field to a site, beyond its length: detours, tracks and turns (common
practice, no source), and the number of roads whose weight it has."""
ITERATIONS = 12


class Regression(NamedTuple):
    """Estimates of k clocks from n samples.

    Attributes:
        clock_min, clock_sd_min: value of each clock and its standard error, minutes, shape (k,).
        min_per_km: driving time.
        residual_min: lag less clocks and driving time by the km, shape (n,).
        haul_min, haul_error_min: additional time on each of the r roads, shrunk to 0, and its standard error, each of
            shape (r,).
        haul_sd_min: its standard deviation between roads.
    """

    clock_min: Array
    clock_sd_min: Array
    min_per_km: float
    residual_min: Array
    haul_min: Array
    haul_error_min: Array
    haul_sd_min: float


def solve_clocks(
    lag: Array, var: Array, km: Array, site: Ints, machine: Ints, road: Ints, is_machine: NDArray[np.bool_]
) -> Regression:
    """Return the clocks that explain the lags, by iteratively reweighted least squares.

    Roads are random effects, eliminated from the normal equations; their variance is estimated by EM steps. They are
    heavy-tailed like the errors, because a field whose loads wait in a heap would otherwise free all other roads.

    Args:
        lag: median lag of each sample, minutes, shape (n,).
        var: its variance, min^2, shape (n,).
        km: road distance, km, shape (n,).
        site: index of the site's clock among the k clocks, shape (n,).
        machine: index of the machine's clock, shape (n,); -1 for known drives, which begin at the reported departure.
        road: index of the pair of field and site, shape (n,).
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
    roads = int(road.max()) + 1 if road.size else 0
    g = csr_array((np.ones(lag.size), (every, road)), shape=(lag.size, roads))
    estimate, own_var, error_var, inverse = prior, prior_var, var, np.diag(prior_var)
    haul, haul_var, own_haul_var = np.zeros(roads), HAUL_SD_MIN**2, np.full(roads, HAUL_SD_MIN**2)
    held = 1 / own_haul_var
    for _ in range(ITERATIONS):
        w = 1 / error_var
        xw = x.multiply(w[:, None]).tocsr()
        shared, held = (xw.T @ g).toarray(), 1 / own_haul_var + g.T @ w
        left = (x.T @ xw).toarray() - (shared / held) @ shared.T
        inverse = np.linalg.inv(left + np.diag(1 / own_var))
        right = x.T @ (w * lag) - shared @ ((g.T @ (w * lag)) / held)
        estimate = inverse @ (right + prior / own_var)
        haul = (g.T @ (w * (lag - x @ estimate))) / held
        error_var = (HEAVY * var + (lag - x @ estimate - haul[road]) ** 2) / (HEAVY + 1)
        squares = haul**2 + 1 / held
        own_weight = (HEAVY + 1) / (HEAVY + squares / haul_var)
        haul_var = float(HAUL_PRIOR_ROADS * HAUL_SD_MIN**2 + own_weight @ squares) / (HAUL_PRIOR_ROADS + roads)
        own_haul_var = haul_var / own_weight
        # The prior widens with the offset (a Cauchy prior), so a wrong clock is not shrunk.
        own_var = np.where(is_wide, (prior_var + estimate**2 + np.diag(inverse)) / 2, prior_var)
    sd = np.sqrt(np.diag(inverse))[:clocks]
    return Regression(
        estimate[:clocks],
        sd,
        float(estimate[-1]),
        lag - x @ estimate,
        haul,
        np.sqrt(1 / held),
        float(np.sqrt(haul_var)),
    )
