"""Empirical Bayes shrinkage of settings' effects, which corrects moves for selection among many noisy estimates.

The largest of many noisy estimates are too large: a move selected by its estimate disappoints. For advice, the effects
of one practical step are therefore assumed to come from normal distributions, one for the settings' own effects and one
for each condition that multiplies them, with variances estimated from the fit's own estimates (Efron and Morris 1973).
If the catalogue states the direction of a setting's effect on root loss, the effects in that direction share a mean
with a vague prior:

    b ~ N(0, S),  S = diag t2 + k ss',  b^ ~ N(b, V):   t2 by maximum likelihood of b^ ~ N(0, V + S)             (11)
    any contrast l:  l'b^ - l'C E M b^,  variance l'C l - l'C E M E'C l,  M = (V + S)^-1                         (12)

with s the known directions (1, -1, or 0), k large, C the coefficients' covariance and E its columns of b. A posterior
needs no further correction for selection (Dawid 1994). Effects that are only reported stay as estimated.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.optimize import minimize

from transforms.config.response_catalogue import ROOT_LOSS
from transforms.mixed_model.contrasts import draws_covariance
from transforms.model.fit_result import ResponseFit
from transforms.model.setting_terms import SettingBy, SettingEffect

Array = NDArray[np.float64]
SHARED_SD = 0.3
"""Prior standard deviation of the mean of effects with known direction, log change per step: practically vague."""
MIN_SD = 1e-4
"""Lower bound on the standard deviation of effects (log change per step), below which none differs from zero."""


@dataclass(frozen=True)
class Shrinkage:
    """Prior covariance of the settings' effects.

    Attributes:
        places: indices of their coefficients, shape (b,).
        covariance: S, shape (b, b).
    """

    places: NDArray[np.int64]
    covariance: Array

    def shrink_contrasts(self, fit: ResponseFit, L: Array) -> tuple[Array, Array]:
        """Return posterior mean and covariance of contrasts by (12), shapes (k,) and (k, k).

        Args:
            fit: the fit, which has p coefficients.
            L: contrasts over all coefficients, shape (k, p).
        """
        k, b = L.shape[0], self.places.size
        unit = np.zeros((b, L.shape[1]))
        unit[np.arange(b), self.places] = 1.0
        V = draws_covariance(fit.reml, np.vstack([L, unit]))
        own = cho_factor(V[k:, k:] + self.covariance)
        across = V[:k, k:]
        mean = L @ fit.reml.coef - across @ cho_solve(own, fit.reml.coef[self.places])
        return mean, V[:k, :k] - across @ cho_solve(own, across.T)


def _prior_covariance(log_sd: Array, kind: NDArray[np.int64], direction: Array) -> Array:
    """Return S of (11), shape (b, b)."""
    return np.asarray(np.diag(np.exp(2 * log_sd)[kind]) + SHARED_SD**2 * np.outer(direction, direction))


def _minus_2l(log_sd: Array, kind: NDArray[np.int64], direction: Array, estimates: Array, V: Array) -> float:
    """Return -2 log likelihood of the estimates, without its constant."""
    try:
        chol = cho_factor(V + _prior_covariance(log_sd, kind, direction), lower=True)
    except np.linalg.LinAlgError:
        return float("inf")
    return float(2 * np.log(np.diag(chol[0])).sum() + estimates @ cho_solve(chol, estimates))


def _known_directions(fit: ResponseFit) -> dict[str, float]:
    """Return the known direction of each setting's effect on the response: 1, -1, or 0 if unknown."""
    directions = {"more": 1.0, "less": -1.0, None: 0.0}
    return {s.name: directions[s.breaks] if fit.response == ROOT_LOSS else 0.0 for s in fit.frame.settings}


def _effects_by_kind(fit: ResponseFit) -> list[list[SettingEffect | SettingBy]]:
    """Return the settings' own effects, and their fixed changes with each modifier, as far as they are in the model.

    A modifier that does not vary multiplies no setting, so it has no effects.
    """
    kinds: dict[str, list[SettingEffect | SettingBy]] = {}
    for term in fit.frame.fixed_terms:
        if isinstance(term, SettingEffect | SettingBy) and fit.contains(term):
            kinds.setdefault("" if isinstance(term, SettingEffect) else term.modifier.label, []).append(term)
    return list(kinds.values())


def shrinkage(fit: ResponseFit) -> Shrinkage:
    """Return the prior covariance of the settings' effects, estimated by (11)."""
    kinds, known = _effects_by_kind(fit), _known_directions(fit)
    effects = [(i, term) for i, terms in enumerate(kinds) for term in terms]
    kind, places = np.array([i for i, _ in effects]), np.array([fit.index_of(term) for _, term in effects])
    direction = np.array([known[t.setting] if isinstance(t, SettingEffect) else 0.0 for _, t in effects])
    V = fit.reml.cov_core[np.ix_(places, places)]
    estimates = fit.reml.coef[places]
    start = [
        0.5 * np.log(max(float(np.mean(estimates[kind == i] ** 2 - np.diag(V)[kind == i])), 1e-6))
        for i in range(len(kinds))
    ]
    lower = np.log(MIN_SD)
    found = minimize(
        _minus_2l,
        np.maximum(start, lower),
        args=(kind, direction, estimates, V),
        method="L-BFGS-B",
        bounds=[(lower, 2.0)] * len(kinds),
    )
    return Shrinkage(places, _prior_covariance(found.x, kind, direction))
