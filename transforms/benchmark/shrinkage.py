"""Levels drawn towards each other as far as the data say, with what is left open about how far.

    u^ ~ N(u, V),  u ~ N(0, T),  T = P (t2 I + B) P',  u | u^, t ~ N(T (V + T)^- u^,  T - T (V + T)^- T)         (17)

P centres by weight; B is what subjects share (fields their growers). t is not taken for one value but averaged over
what the restricted likelihood leaves open of it: where few subjects tell, an interval at its mode, which is often
nothing, would be far too short (Gelman 2006). Draws have the tails of t, for V rests on estimated variances.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
DRAWS, SEED = 8000, 20_251_002
MOST_NUMBERS = 4_000_000
"""Of very many subjects fewer draws are taken, so that no more numbers than this are kept."""
FEWEST_DRAWS = 500


@dataclass(frozen=True)
class ShrunkenEffects:
    """Shrunken levels: their mean, shape (k,), and joint draws, shape (draws, k)."""

    mean: Array
    draws: Array

    @property
    def interval(self) -> tuple[Array, Array]:
        """Their 95 % intervals."""
        low, high = np.quantile(self.draws, (0.025, 0.975), axis=0)
        return low, high


def _beside(share: Array) -> Array:
    """An orthonormal basis of all that `share` weighs to nothing, shape (k, k - 1), by Householder's reflection."""
    v = share / np.linalg.norm(share)
    v[0] += np.copysign(1.0, v[0])
    return np.asarray((np.eye(share.size) - 2 * np.outer(v, v) / (v @ v))[:, 1:])


def shrink_effects(
    estimates: Array, covariance: Array, share: Array, spread: Array, probability: Array, together: Array, df: float
) -> ShrunkenEffects:
    """Shrink estimates that are centred by `share`.

    Args:
        estimates: u^, shape (k,), with share'u^ = 0.
        covariance: V, shape (k, k).
        share: weight of each subject, shape (k,), sums to one.
        spread: values of t, shape (g,).
        probability: of each, shape (g,).
        together: B, shape (k, k).
        df: degrees of freedom of V, whose own variances are estimated.
    """
    k, rng = estimates.size, np.random.default_rng(SEED)
    centre = np.eye(k) - share[None, :]
    Q = _beside(share)
    size = int(np.clip(MOST_NUMBERS // k, FEWEST_DRAWS, DRAWS))
    y, V = Q.T @ estimates, Q.T @ covariance @ Q
    mean, draws = np.zeros(k), []
    for t, p, n in zip(spread, probability, rng.multinomial(size, probability), strict=True):
        T = centre @ (t**2 * np.eye(k) + together) @ centre.T
        gain = np.linalg.solve(V + Q.T @ T @ Q, Q.T @ T).T
        left = T - gain @ (Q.T @ T)
        values, vectors = np.linalg.eigh((left + left.T) / 2)
        root = vectors * np.sqrt(np.maximum(values, 0))
        mean += p * (gain @ y)
        heavier = np.sqrt(df / rng.chisquare(df, (n, 1)))
        draws.append(gain @ y + heavier * (rng.standard_normal((n, k)) @ root.T))
    return ShrunkenEffects(mean, np.vstack(draws))
