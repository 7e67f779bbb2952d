"""Products of the later columns of a mixed model over the rows of its absorbed factor."""

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

from transforms.arrays import Array

MAX_PAIRS = 4_000_000
"""Most pairs of entries of small factors that `CorePattern` keeps; matrices with more are multiplied as such."""
ROWS_AT_ONCE = 2000
"""Rows of large factors that are made dense together."""


@dataclass(frozen=True)
class ScaledProducts:
    """Blocks of [b c]' diag(scale) [b c].

    b are the banded factors, c the dense columns (d) and the small factors (s).
    """

    bb: sp.csr_matrix
    bd: Array
    bs: sp.csr_matrix
    dd: Array
    sd: Array
    ss: sp.csr_matrix

    def subtract_from(self, cc: Array) -> Array:
        """Return cc less the blocks of c."""
        d, out = self.dd.shape[0], cc.copy()
        out[:d, :d] -= self.dd
        out[d:, :d] -= self.sd
        out[:d, d:] -= self.sd.T
        out[d:, d:] -= self.ss
        return out

    def below(self, V: Array) -> Array:
        """Return V' bc for V of shape (m, k); by parts of the rows, so bc is never dense as a whole."""
        d, out = self.dd.shape[0], np.zeros((V.shape[1], self.dd.shape[0] + self.bs.shape[1]))
        for start in range(0, V.shape[0], ROWS_AT_ONCE):
            rows = slice(start, start + ROWS_AT_ONCE)
            out[:, :d] += V[rows].T @ self.bd[rows]
            out[:, d:] += V[rows].T @ self.bs[rows].toarray()
        return out

    def inner(self, T: Array) -> float:
        """Return tr(cc T), T symmetric."""
        d = self.dd.shape[0]
        dense = np.vdot(self.dd, T[:d, :d]) + 2 * np.vdot(self.sd, T[d:, :d])
        return float(dense) + float(self.ss.multiply(T[d:, d:]).sum())


@dataclass(frozen=True)
class CorePattern:
    """Places of the entries of s' diag(scale) s, where s are the small factors over the rows of the absorbed one.

    Equations without a band are small and are solved hundreds of times: to look for these places each time would take
    most of the time. The entries are added in the same order as by a product of sparse matrices, to the same bits.

    Attributes:
        row: row of each pair of entries of one row of s, shape (pairs,).
        left, right: values of the two entries, shape (pairs,).
        place: entry of the product to which each pair contributes, shape (pairs,).
        flat: position of each entry of the product in the row-major matrix, ascending, shape (entries,).
        size: number of columns of s.
    """

    row: NDArray[np.int64]
    left: Array
    right: Array
    place: NDArray[np.int64]
    flat: NDArray[np.int64]
    size: int

    @staticmethod
    def of(s: sp.csr_matrix) -> "CorePattern | None":
        """Return the pattern of s; None if it would be too large."""
        counts = np.diff(s.indptr).astype(np.int64)
        pairs = int((counts**2).sum())
        if max(pairs, s.shape[1] ** 2) > MAX_PAIRS:
            return None
        row = np.repeat(np.arange(counts.size), counts**2)
        within = np.arange(pairs) - np.repeat(np.cumsum(counts**2) - counts**2, counts**2)
        starts, width = s.indptr[:-1][row].astype(np.int64), counts[row]
        left, right = starts + within // np.maximum(width, 1), starts + within % np.maximum(width, 1)
        at = s.indices[left].astype(np.int64) * s.shape[1] + s.indices[right]
        number = np.zeros(s.shape[1] ** 2, dtype=np.int64)
        number[at] = 1
        flat = np.flatnonzero(number)
        number[flat] = np.arange(flat.size)
        return CorePattern(row, s.data[left], s.data[right], number[at], flat, s.shape[1])

    def entries(self, scale: Array) -> Array:
        """Return the entries of the product, in the order of `flat`."""
        weights = self.left * (scale[self.row] * self.right)
        return np.asarray(np.bincount(self.place, weights=weights, minlength=self.flat.size), dtype=np.float64)


@dataclass(frozen=True)
class CoreProducts:
    """Blocks of c' diag(scale) c: dense columns (d) and small factors (s), whose entries have a known pattern."""

    dd: Array
    sd: Array
    ss: Array
    pattern: CorePattern

    def subtract_from(self, cc: Array) -> Array:
        """Return cc less the blocks."""
        d, out = self.dd.shape[0], cc.copy()
        out[:d, :d] -= self.dd
        out[d:, :d] -= self.sd
        out[:d, d:] -= self.sd.T
        ss = np.zeros((self.pattern.size, self.pattern.size))
        ss.flat[self.pattern.flat] = self.ss
        out[d:, d:] -= ss
        return out

    def inner(self, T: Array) -> float:
        """Return tr(cc T), T symmetric."""
        d = self.dd.shape[0]
        dense = np.vdot(self.dd, T[:d, :d]) + 2 * np.vdot(self.sd, T[d:, :d])
        rows, columns = np.divmod(self.pattern.flat, max(self.pattern.size, 1))
        return float(dense) + float((self.ss * T[d + rows, d + columns]).sum())
