"""Heavy tails: are there more outlying loads than a normal law allows, and how are they kept from ruling the fit?

A load far from what the model says (a mislabelled sample, a truck of another field) is drawn in to where it still
counts, and the model fitted to the drawn values. With psi Huber's function, r = (z - fitted) / s and

    z* = fitted + s psi(r) / mean(psi'(r))                                                                      (9)

least squares on z* has the estimating equations of Huber's M-estimate, and its residual variance is the one of that
estimate's errors (Huber 1981, sections 7.6 and 7.8): standard errors need no further correction.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Huber:
    """How values are drawn in: from `k` standard deviations, in at most `turns` turns.

    No fewer than it takes until one moves no effect by more than `settled_se` of its standard error.
    """

    k: float
    turns: int
    settled_se: float


HUBER = Huber(k=1.7, turns=10, settled_se=0.02)
FAR = 3.5
"""Standard deviations from which a load counts as outlying; a normal law has 0.05 % there."""
FAR_SHARE = 0.003
"""Tails are heavy where more than this share of loads is outlying."""


@dataclass(frozen=True)
class Tails:
    """How heavy the residuals' tails are.

    Attributes:
        far_share: share of rows beyond 3.5 robust standard deviations.
        kurtosis: fourth moment over three squared second moments; 1 for a normal law.
        drawn_in: whether the fit was made on values drawn in.
        largest_move_se: by how many standard errors the fixed effect that moved most did.
    """

    far_share: float
    kurtosis: float
    drawn_in: bool = False
    largest_move_se: float = 0.0

    @property
    def heavy(self) -> bool:
        """Whether there are more outlying loads than a normal law allows."""
        return self.far_share > FAR_SHARE


def _scale(residual: Array) -> float:
    """The spread of standardised residuals by their median absolute deviation; 1 where the model's own holds."""
    return float(1.4826 * np.median(np.abs(residual - np.median(residual))))


def tails_of(z: Array, fitted: Array, variance: Array) -> Tails:
    """Measure the tails of (z - fitted) / sqrt(variance), all of shape (n,)."""
    r = (z - fitted) / np.sqrt(variance)
    s = max(_scale(r), 1e-9)
    return Tails(float(np.mean(np.abs(r) > FAR * s)), float(np.mean(r**4) / (3 * np.mean(r**2) ** 2)))


def pseudo_values(z: Array, fitted: Array, variance: Array) -> Array:
    """Return z* of (9), shape (n,)."""
    spread = np.sqrt(variance)
    s = spread * max(_scale((z - fitted) / spread), 1e-9)
    r = (z - fitted) / s
    return np.asarray(fitted + s * np.clip(r, -HUBER.k, HUBER.k) / np.mean(np.abs(r) < HUBER.k))
