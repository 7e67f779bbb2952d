"""P-splines (Eilers and Marx 1996) in mixed-model form: a straight line and penalised departures from it.

B has cubic B-splines on even knots, D takes second differences; with D'D = U diag(d) U' and Z = B U d^-1/2 over d > 0,
a coefficient vector u ~ N(0, s2 I) is the curve with penalty |D a|^2 / s2. The null space of D is the straight line,
which is a fixed column of the model. The caller fixes the knots independently of the data, so that a curve has the same
meaning in every data set and cross-products of separate parts of the data can be added.
"""

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from scipy.interpolate import BSpline

from transforms.arrays import Array

DEGREE = 3
MAX_CACHED_POSITIONS = 4
"""Columns at up to this number of positions are cached: predictions ask for the same places again and again."""


@dataclass(frozen=True)
class PSpline:
    """A cubic P-spline on `pieces` equal intervals from `low` to `high`, constant outside that range.

    The departures contain no linear trend over the range `usual`; None for the whole range.
    """

    low: float
    high: float
    pieces: int
    usual: tuple[float, float] | None = None

    @property
    def width(self) -> int:
        """Number of columns: pieces + 3 splines less the two of the straight line."""
        return self.pieces + DEGREE - 2

    @cached_property
    def _basis(self) -> tuple[Array, Array, Array]:
        """Knots, U d^-1/2, and the linear trends to remove, shape (2, width)."""
        h = (self.high - self.low) / self.pieces
        knots = np.asarray(self.low + h * np.arange(-DEGREE, self.pieces + DEGREE + 1), dtype=np.float64)
        size = self.pieces + DEGREE
        D = np.diff(np.eye(size), n=2, axis=0)
        values, vectors = np.linalg.eigh(D.T @ D)
        signs = np.sign(vectors[np.abs(vectors).argmax(axis=0), np.arange(size)])
        root = (vectors * signs)[:, 2:] / np.sqrt(values[2:])
        low, high = self.usual or (self.low, self.high)
        grid = np.linspace(low, high, 200)
        columns = self._splines(knots, grid) @ root
        lines = np.linalg.lstsq(np.column_stack([np.ones(200), grid]), columns, rcond=None)[0]
        return knots, root, lines

    def _splines(self, knots: Array, x: Array) -> Array:
        """Return the B-splines at `x`, shape (n, pieces + 3)."""
        inside = np.clip(x, self.low, np.nextafter(self.high, self.low))
        return np.asarray(BSpline.design_matrix(inside, knots, DEGREE).toarray())

    def columns(self, x: Array) -> Array:
        """Return Z at `x` without its linear trends, shape (n, width)."""
        return _few_columns(self, tuple(x.tolist())).copy() if x.size <= MAX_CACHED_POSITIONS else self.columns_at(x)

    def columns_at(self, x: Array) -> Array:
        """Return `columns` without looking for them in the cache."""
        knots, root, lines = self._basis
        inside = np.clip(x, self.low, self.high)
        return self._splines(knots, x) @ root - np.column_stack([np.ones(inside.size), inside]) @ lines

    def slopes(self, x: Array, step: float) -> Array:
        """Return the mean change of each column of Z per step up and per step down, shape (n, width).

        It is (Z(x + step) - Z(x - step)) / 2.

        Args:
            x: positions, shape (n,).
            step: size of one step, in the unit of x.
        """
        return (self.columns(x + step) - self.columns(x - step)) / 2


@lru_cache(maxsize=16_384)
def _few_columns(spline: PSpline, x: tuple[float, ...]) -> Array:
    return spline.columns_at(np.array(x, dtype=np.float64))
