"""Funnel limits with an allowance for over-dispersion (Spiegelhalter 2005, Stat. Med. 24:1185).

With estimates y_k about 0 and standard errors s_k, z_k = y_k / s_k, winsorised at their 10 % and 90 % quantiles,

    phi = mean z_k^2                                                                                            (13)
    tau2 = max(0, (K phi - (K - 1)) / (sum w - sum w^2 / sum w)),  w = 1 / s_k^2                                 (14)
    limits of y_k: +- 1.96 and +- 3.09 times sqrt(s_k^2 + tau2)
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
WINSORISED = 0.10
LIMITS = {"95": 1.96, "998": 3.09}


@dataclass(frozen=True)
class Funnel:
    """Limits of a funnel plot.

    Attributes:
        phi: over-dispersion; 1 if estimates differ only by their own errors.
        tau2: variance between subjects included in the limits; 0 if phi is at most about 1.
        half: half-widths of the 95 % and 99.8 % limits, each of shape (k,).
    """

    phi: float
    tau2: float
    half: dict[str, Array]

    def beyond(self, estimates: Array) -> list[str]:
        """Return, for each estimate, the limit that it exceeds, or "within"."""
        distance = np.abs(estimates)
        return [
            "beyond_998" if a > far else "beyond_95" if a > near else "within"
            for a, near, far in zip(distance, self.half["95"], self.half["998"], strict=True)
        ]


def funnel(estimates: Array, errors: Array) -> Funnel:
    """Return the limits about 0 for estimates with their standard errors.

    Args:
        estimates: estimates y_k about 0, shape (k,).
        errors: their standard errors s_k in the same unit, shape (k,), positive.
    """
    z = estimates / errors
    phi = float(np.mean(np.clip(z, *np.quantile(z, (WINSORISED, 1 - WINSORISED))) ** 2))
    w, k = 1 / errors**2, estimates.size
    denominator = float(w.sum() - (w**2).sum() / w.sum())
    tau2 = max(0.0, (k * phi - (k - 1)) / denominator) if denominator > 0 else 0.0
    return Funnel(phi, tau2, {name: z_limit * np.sqrt(errors**2 + tau2) for name, z_limit in LIMITS.items()})
