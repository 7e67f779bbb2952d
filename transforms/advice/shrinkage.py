"""What moves do, after allowing for having looked at many: settings' effects as draws from one spread of effects.

Of many noisy effects the largest are too large: a move picked for its estimate disappoints. So for advice the effects
of one practical step are taken to come from a normal distribution, one for the settings' own effects and one for each
condition they are multiplied by, whose spreads the fit's own estimates tell (Efron and Morris 1973). Where the
catalogue knows which way a setting works on root loss, the effects that way share a mean that nothing is said about:

    b ~ N(0, S),  S = diag t2 + k ss',  b^ ~ N(b, V):   t2 by maximum likelihood of b^ ~ N(0, V + S)             (11)
    any contrast l:  l'b^ - l'C E M b^,  variance l'C l - l'C E M E'C l,  M = (V + S)^-1                         (12)

with s the known ways (1, -1, or 0), k large, C the coefficients' covariance and E its columns of b. A posterior needs
no further allowance for selection (Dawid 1994). Effects that are reported, not acted upon, stay as estimated.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.optimize import minimize

from transforms.config.settings_catalogue import ROOT_LOSS
from transforms.mixed_model.contrasts import draws_covariance
from transforms.model.fit import ResponseFit

Array = NDArray[np.float64]
SHARED_SD = 0.3
"""Standard deviation of the mean that known ways share, log change a step: as good as none."""
LEAST_SPREAD = 1e-4
"""Spread of effects (log change of a step) below which none is told from nothing."""


@dataclass(frozen=True)
class Shrinkage:
    """Spread of the settings' effects.

    Attributes:
        places: their coefficients, shape (b,).
        covariance: S, shape (b, b).
    """

    places: NDArray[np.int64]
    covariance: Array

    def moved(self, fit: ResponseFit, L: Array) -> tuple[Array, Array]:
        """Return mean and covariance of contrasts by (12), shapes (k,) and (k, k); rows of L over all coefficients."""
        k, b = L.shape[0], self.places.size
        unit = np.zeros((b, L.shape[1]))
        unit[np.arange(b), self.places] = 1.0
        V = draws_covariance(fit.reml, np.vstack([L, unit]))
        own = cho_factor(V[k:, k:] + self.covariance)
        across = V[:k, k:]
        mean = L @ fit.reml.coef - across @ cho_solve(own, fit.reml.coef[self.places])
        return mean, V[:k, :k] - across @ cho_solve(own, across.T)


def _spread(log_spread: Array, kind: NDArray[np.int64], way: Array) -> Array:
    return np.asarray(np.diag(np.exp(2 * log_spread)[kind]) + SHARED_SD**2 * np.outer(way, way))


def _minus_2l(log_spread: Array, kind: NDArray[np.int64], way: Array, estimates: Array, V: Array) -> float:
    try:
        chol = cho_factor(V + _spread(log_spread, kind, way), lower=True)
    except np.linalg.LinAlgError:
        return float("inf")
    return float(2 * np.log(np.diag(chol[0])).sum() + estimates @ cho_solve(chol, estimates))


def _known_ways(fit: ResponseFit) -> dict[str, float]:
    """Which way each setting is known to work on the response: 1, -1, or 0 where that is not known."""
    ways = {"more": 1.0, "less": -1.0, None: 0.0}
    return {s.name: ways[s.breaks] if fit.response == ROOT_LOSS else 0.0 for s in fit.frame.settings}


def _has_kind(fit: ResponseFit, kind: str) -> bool:
    return any(f"{s}{kind}" in fit.at for s in fit.settings)


def shrinkage(fit: ResponseFit) -> Shrinkage:
    """Return the spread of the settings' effects by (11)."""
    # Without variation of a condition nothing is multiplied by it, and its kind has no effects.
    kinds = [k for k in ("", *(f" by {by}" for by in fit.frame.terms.plainly_by)) if _has_kind(fit, k)]
    mine = [(i, s, fit.at[f"{s}{k}"]) for i, k in enumerate(kinds) for s in fit.settings if f"{s}{k}" in fit.at]
    kind, places, known = np.array([i for i, *_ in mine]), np.array([p for *_, p in mine]), _known_ways(fit)
    way = np.array([known[s] if i == 0 else 0.0 for i, s, _ in mine])
    V = fit.reml.cov_core[np.ix_(places, places)]
    estimates = fit.reml.coef[places]
    first = [
        0.5 * np.log(max(float(np.mean(estimates[kind == i] ** 2 - np.diag(V)[kind == i])), 1e-6))
        for i in range(len(kinds))
    ]
    least = np.log(LEAST_SPREAD)
    found = minimize(
        _minus_2l,
        np.maximum(first, least),
        args=(kind, way, estimates, V),
        method="L-BFGS-B",
        bounds=[(least, 2.0)] * len(kinds),
    )
    return Shrinkage(places, _spread(found.x, kind, way))
