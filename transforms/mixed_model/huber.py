"""Heavy tails: detection of too many outliers, and pseudo-values that limit their influence.

An observation far from its fitted value, such as a mislabelled sample, is replaced by a pseudo-value nearer to it, and
the model is fitted to the pseudo-values. With psi Huber's function, r = (z - fitted) / s and

    z* = fitted + s psi(r) / mean(psi'(r))                                                                      (9)

least squares on z* has the estimating equations of Huber's M-estimate, and its residual variance gives the variance of
that estimate (Huber 1981, sections 7.6 and 7.8), so standard errors need no further correction.
"""

from dataclasses import dataclass

import numpy as np

from transforms.arrays import Array


@dataclass(frozen=True)
class Huber:
    """Settings of the Huber iteration.

    Attributes:
        k: number of standard deviations from which values are Huberised.
        max_iterations: maximum number of iterations.
        settled_se: the iteration ends when no effect moves by more than this fraction of its standard error.
    """

    k: float
    max_iterations: int
    settled_se: float


HUBER = Huber(k=1.7, max_iterations=10, settled_se=0.02)
OUTLIER_SD = 3.5
"""Number of standard deviations beyond which a row is an outlier; a normal distribution has 0.05 % there."""
FAR_SHARE = 0.003
"""Tails are heavy if more than this share of rows are outliers."""


@dataclass(frozen=True)
class Tails:
    """Heaviness of the tails of the residuals.

    Attributes:
        far_share: share of rows beyond 3.5 robust standard deviations.
        is_huberised: True if the model was fitted to pseudo-values.
        largest_move_se: largest change of a fixed effect by the pseudo-values, in standard errors.
    """

    far_share: float
    is_huberised: bool = False
    largest_move_se: float = 0.0

    @property
    def is_heavy(self) -> bool:
        """True if there are too many outliers for a normal distribution."""
        return self.far_share > FAR_SHARE


def _scale(residual: Array) -> float:
    """Return the scale of standardised residuals by their median absolute deviation; 1 if they are normal."""
    return float(1.4826 * np.median(np.abs(residual - np.median(residual))))


def tails_of(z: Array, fitted: Array, variance: Array) -> Tails:
    """Return the tails of the standardised residuals (z - fitted) / sqrt(variance).

    Args:
        z: response on the fitted scale, shape (n,).
        fitted: fitted values on the same scale, shape (n,).
        variance: variance of each residual, shape (n,).
    """
    r = (z - fitted) / np.sqrt(variance)
    s = max(_scale(r), 1e-9)
    return Tails(float(np.mean(np.abs(r) > OUTLIER_SD * s)))


def pseudo_values(z: Array, fitted: Array, variance: Array) -> Array:
    """Return the pseudo-values z* of (9), shape (n,).

    Args:
        z: response on the fitted scale, shape (n,).
        fitted: fitted values on the same scale, shape (n,).
        variance: variance of each residual, shape (n,).
    """
    sd = np.sqrt(variance)
    s = sd * max(_scale((z - fitted) / sd), 1e-9)
    r = (z - fitted) / s
    return np.asarray(fitted + s * np.clip(r, -HUBER.k, HUBER.k) / np.mean(np.abs(r) < HUBER.k))
