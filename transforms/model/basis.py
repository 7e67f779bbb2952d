"""Curves of conditions: natural cubic splines on standardised columns."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class NaturalSpline:
    """A natural cubic spline (Hastie et al. 2009, section 5.2.1), linear beyond its outer knots.

    The first column is the standardised value itself, so that a spline of one degree of freedom is a straight line.
    """

    centre: float
    scale: float
    knots: tuple[float, ...]

    def columns(self, x: Array) -> Array:
        """Return the basis at `x`, shape (n, degrees of freedom)."""
        z = (x - self.centre) / self.scale
        out: list[Array] = [z]
        if len(self.knots) > 2:
            last, before = self.knots[-1], self.knots[-2]

            def d(knot: float) -> Array:
                return np.asarray((np.maximum(z - knot, 0) ** 3 - np.maximum(z - last, 0) ** 3) / (last - knot))

            out += [(d(k) - d(before)) / (last - self.knots[0]) for k in self.knots[:-2]]
        return np.column_stack(out)


def natural_spline(x: Array, degrees: int) -> NaturalSpline:
    """Place the knots of a spline at quantiles of the data; fewer where the data repeat themselves."""
    centre, scale = float(np.mean(x)), float(np.std(x))
    if scale < 1e-9:
        return NaturalSpline(centre, 1.0, ())
    z = (x - centre) / scale
    at = np.unique(np.quantile(z, np.linspace(0.05, 0.95, degrees + 1)).round(6))
    return NaturalSpline(centre, scale, tuple(at.tolist()) if degrees > 1 and at.size > 2 else ())
