"""Curves as a straight line and shrunk departures from it: P-splines (Eilers and Marx 1996) in mixed-model form.

B has cubic B-splines on even knots, D takes second differences; with D'D = U diag(d) U' and Z = B U d^-1/2 over d > 0,
a coefficient vector u ~ N(0, s2 I) is the curve with penalty |D a|^2 / s2. What D leaves alone is the straight line,
which is a fixed column of the model. The knots stand on the catalogue, not on the data: a curve means the same in every
season, and cross-products of one day can be kept and added to another's.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline

Array = NDArray[np.float64]
DEGREE = 3


@dataclass(frozen=True)
class PSpline:
    """A cubic P-spline on `pieces` even pieces between `low` and `high`; beyond them it stands at its edge.

    `usual` is the range over which its departures have no straight line of their own; all of it where None.
    """

    low: float
    high: float
    pieces: int
    usual: tuple[float, float] | None = None

    @property
    def width(self) -> int:
        """Columns: pieces + 3 splines less the two of the straight line."""
        return self.pieces + DEGREE - 2

    @cached_property
    def _turn(self) -> tuple[Array, Array, Array]:
        """Knots, U d^-1/2, and the straight lines to take off, shape (2, width)."""
        h = (self.high - self.low) / self.pieces
        knots = np.asarray(self.low + h * np.arange(-DEGREE, self.pieces + DEGREE + 1), dtype=np.float64)
        size = self.pieces + DEGREE
        D = np.diff(np.eye(size), n=2, axis=0)
        values, vectors = np.linalg.eigh(D.T @ D)
        signs = np.sign(vectors[np.abs(vectors).argmax(axis=0), np.arange(size)])
        root = (vectors * signs)[:, 2:] / np.sqrt(values[2:])
        low, high = self.usual or (self.low, self.high)
        grid = np.linspace(low, high, 200)
        columns = self._at(knots, grid) @ root
        lines = np.linalg.lstsq(np.column_stack([np.ones(200), grid]), columns, rcond=None)[0]
        return knots, root, lines

    def _at(self, knots: Array, x: Array) -> Array:
        inside = np.clip(x, self.low, np.nextafter(self.high, self.low))
        return np.asarray(BSpline.design_matrix(inside, knots, DEGREE).toarray())

    def columns(self, x: Array) -> Array:
        """Return Z at `x` less its straight lines, shape (n, width)."""
        knots, root, lines = self._turn
        inside = np.clip(x, self.low, self.high)
        return self._at(knots, x) @ root - np.column_stack([np.ones(inside.size), inside]) @ lines

    def slopes(self, x: Array, step: float) -> Array:
        """Return the mean change of each column of Z for one step either way, shape (n, width).

        (Z(x + step) - Z(x - step)) / 2: what a person's move of one step does, up and down taken together.
        """
        return (self.columns(x + step) - self.columns(x - step)) / 2
