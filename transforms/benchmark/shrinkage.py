"""Shrinkage of subject effects, including the uncertainty of the variance between subjects.

    u^ ~ N(u, V),  u ~ N(0, T),  T = P (t2 I + B) P',  u | u^, t ~ N(T (V + T)^- u^,  T - T (V + T)^- T)         (17)

P centres by weight; B is the covariance that subjects share (fields of one grower). t is not fixed but averaged over
its restricted likelihood: with few subjects, an interval at the mode, which is often zero, would be far too short
(Gelman 2006). Draws are t-distributed because V rests on estimated variances.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
DRAWS, SEED = 8000, 20_251_002
MAX_NUMBERS = 4_000_000
"""Upper bound on draws x subjects, which reduces the number of draws if there are many subjects."""
MIN_DRAWS = 500


@dataclass(frozen=True)
class ShrunkenEffects:
    """Shrunken effects: their mean, shape (k,), and joint draws, shape (draws, k)."""

    mean: Array
    draws: Array

    @property
    def interval(self) -> tuple[Array, Array]:
        """95 % intervals: lower and upper ends, each of shape (k,)."""
        low, high = np.quantile(self.draws, (0.025, 0.975), axis=0)
        return low, high


def _orthogonal_basis(share: Array) -> Array:
    """Return an orthonormal basis of the space orthogonal to `share`, shape (k, k - 1), by Householder reflection."""
    v = share / np.linalg.norm(share)
    v[0] += np.copysign(1.0, v[0])
    return np.asarray((np.eye(share.size) - 2 * np.outer(v, v) / (v @ v))[:, 1:])


def shrink_effects(
    estimates: Array, covariance: Array, share: Array, sd: Array, probability: Array, together: Array, df: float
) -> ShrunkenEffects:
    """Return shrunken effects from estimates that are centred by `share`.

    Args:
        estimates: u^, shape (k,), with share'u^ = 0.
        covariance: V, shape (k, k).
        share: weight of each subject, shape (k,), sums to one.
        sd: values of t, shape (g,).
        probability: probability of each value of t, shape (g,).
        together: B, shape (k, k).
        df: degrees of freedom of V, whose variances are estimated.
    """
    k, rng = estimates.size, np.random.default_rng(SEED)
    centre = np.eye(k) - share[None, :]
    Q = _orthogonal_basis(share)
    draw_count = int(np.clip(MAX_NUMBERS // k, MIN_DRAWS, DRAWS))
    y, V = Q.T @ estimates, Q.T @ covariance @ Q
    mean, draws = np.zeros(k), []
    for t, p, n in zip(sd, probability, rng.multinomial(draw_count, probability), strict=True):
        T = centre @ (t**2 * np.eye(k) + together) @ centre.T
        gain = np.linalg.solve(V + Q.T @ T @ Q, Q.T @ T).T
        posterior = T - gain @ (Q.T @ T)
        values, vectors = np.linalg.eigh((posterior + posterior.T) / 2)
        root = vectors * np.sqrt(np.maximum(values, 0))
        mean += p * (gain @ y)
        t_scale = np.sqrt(df / rng.chisquare(df, (n, 1)))
        draws.append(gain @ y + t_scale * (rng.standard_normal((n, k)) @ root.T))
    return ShrunkenEffects(mean, np.vstack(draws))
