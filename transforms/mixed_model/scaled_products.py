"""Products of the later columns of a mixed model over the rows of its absorbed factor."""

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp

from transforms.arrays import Array

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
