"""Penalised quasi-likelihood: counts and shares fitted as such by the linear mixed model.

A count y of known size n has E(y | eta) = n mu(eta): Poisson counts have the exposure n and mu = exp(eta), binomial
counts the number of trials n and mu = 1 / (1 + exp(-eta)). At the current eta, the working response and its variance
are

    z = eta + (y - n mu) / (n mu'),   v = Var(y) / (n mu')^2                                                    (21)

so the linear model for z with error variance s2 + v is fitted, gives the next eta, and so on (Breslow and Clayton
1993, J. Am. Stat. Assoc. 88:9-25). s2 is overdispersion: the variance between counts of equal eta, on the scale of eta.
v uses the fitted mean, never the count itself: a count of zero is information like any other.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, TypeVar

import numpy as np

from transforms.arrays import Array

Family = Literal["poisson", "binomial"]
Fit = TypeVar("Fit")
MAX_ITERATIONS = 15
SETTLED = 0.01
"""The iteration ends when the root mean square change of eta is below this fraction of the counts' own error."""
WIDEST_STEP = 3.0
"""Largest change of a value of eta in one iteration: keeps a count that is far from its fitted mean from diverging."""


@dataclass(frozen=True)
class Counts:
    """Counts of known size.

    Attributes:
        family: poisson or binomial.
        observed: counts, shape (n,); of a mass over the mass of one piece they need not be whole.
        size: exposure of a Poisson count, trials of a binomial one, above 0, shape (n,).
    """

    family: Family
    observed: Array
    size: Array

    def __post_init__(self) -> None:
        """Refuse counts that cannot be.

        Raises:
            ValueError: a size is not above 0, a count is negative, or a binomial count exceeds its trials.
        """
        if not np.all(self.size > 0):
            raise ValueError("sizes must be above 0")
        too_large = self.family == "binomial" and np.any(self.observed > self.size)
        if np.any(self.observed < 0) or too_large:
            raise ValueError("counts must be between 0 and their size")

    def predictor(self, mean: Array) -> Array:
        """Return eta of a mean per unit of size, shape as `mean`."""
        return np.asarray(np.log(mean) if self.family == "poisson" else np.log(mean / (1 - mean)))

    def mean(self, eta: Array) -> Array:
        """Return the mean per unit of size at eta, shape as `eta`.

        >>> Counts("binomial", np.array([1.0]), np.array([4.0])).mean(np.array([0.0])).tolist()
        [0.5]
        """
        return np.asarray(np.exp(eta) if self.family == "poisson" else 1 / (1 + np.exp(-eta)))

    def slope(self, eta: Array) -> Array:
        """Return the derivative of the mean at eta; for both families it is also the variance of a count of size 1."""
        mean = self.mean(eta)
        return mean if self.family == "poisson" else np.asarray(mean * (1 - mean))


@dataclass(frozen=True)
class WorkingResponse:
    """Working response (21).

    Attributes:
        z: values, on the scale of eta, shape (n,).
        variance: variance of z due to counting alone, shape (n,).
    """

    z: Array
    variance: Array


def starting_predictor(counts: Counts) -> Array:
    """Return eta of each count, drawn towards the common mean by one piece, so that zero is finite; shape (n,)."""
    common = counts.observed.sum() / counts.size.sum()
    extra = 1.0 / max(common, 1e-9) if counts.family == "poisson" else 2.0
    share = (counts.observed + common * extra) / (counts.size + extra)
    return counts.predictor(np.clip(share, 1e-9, None if counts.family == "poisson" else 1 - 1e-9))


def working_response(counts: Counts, eta: Array) -> WorkingResponse:
    """Return the working response at eta.

    Args:
        counts: the counts.
        eta: linear predictor, shape (n,).
    """
    per_unit = np.maximum(counts.slope(eta), 1e-12)
    return WorkingResponse(
        eta + (counts.observed / counts.size - counts.mean(eta)) / per_unit, 1 / (counts.size * per_unit)
    )


def fit_quasi_likelihood(
    counts: Counts, fit: Callable[[WorkingResponse, Fit | None], tuple[Fit, Array]]
) -> tuple[Fit, WorkingResponse]:
    """Fit counts by repeated fits of a linear mixed model.

    Args:
        counts: the counts, n of them.
        fit: fits z with error variance s2 + v, starting from the fit before; returns the fit and its fitted values,
            shape (n,).

    Returns:
        The last fit and the working response that it was fitted to.

    Raises:
        ValueError: no iteration is allowed (`MAX_ITERATIONS` is 0).
    """
    eta, found = starting_predictor(counts), None
    for _ in range(MAX_ITERATIONS):
        response = working_response(counts, eta)
        found, fitted = fit(response, found)
        moved = np.clip(fitted - eta, -WIDEST_STEP, WIDEST_STEP)
        if float(np.sqrt(np.mean(moved**2 / response.variance))) < SETTLED:
            break
        eta = eta + moved
    if found is None:
        raise ValueError("no iteration was made")
    return found, response
