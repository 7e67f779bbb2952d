"""Positive definite matrices that are banded once their rows are put in order: machine-days that share fields.

Reverse Cuthill-McKee (Cuthill and McKee 1969) finds the order; blocks as wide as the band then touch only their
neighbours, and Cholesky, solves and the inverse inside the band cost m x band^2 instead of m^3. A matrix without such
an order becomes a single block: an ordinary Cholesky.
"""

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray
from scipy.linalg import lapack
from scipy.sparse.csgraph import reverse_cuthill_mckee

Array = NDArray[np.float64]
SMALLEST_BLOCK = 48


@dataclass(frozen=True)
class Banding:
    """The order of the rows and the edges of the blocks of one pattern of non-zeros."""

    order: NDArray[np.int64]
    edges: NDArray[np.int64]


def banding(pattern: sp.csr_matrix) -> Banding:
    """Return an order in which the matrix is block tridiagonal."""
    m = pattern.shape[0]
    order = np.asarray(reverse_cuthill_mckee(pattern, symmetric_mode=True), dtype=np.int64)
    entries = pattern[order][:, order].tocoo()
    band = int(np.abs(entries.row - entries.col).max(initial=0))
    width = max(band, SMALLEST_BLOCK)
    edges = np.arange(0, m + 1, width, dtype=np.int64) if m > 2 * width else np.array([0], dtype=np.int64)
    return Banding(order, np.append(edges[:-1] if edges.size > 1 else edges, m))


class BlockTridiagonal:
    """The Cholesky factors of a positive definite matrix in a `Banding`.

    Raises:
        numpy.linalg.LinAlgError: the matrix is not positive definite.
    """

    def __init__(self, A: sp.csr_matrix, layout: Banding) -> None:
        self._at = layout
        self._L: list[Array] = []
        self._below: list[Array] = []
        turned = A[layout.order][:, layout.order].tocsr()
        edges = layout.edges
        for i in range(edges.size - 1):
            here = slice(edges[i], edges[i + 1])
            block = turned[here, here].toarray()
            if i:
                before = slice(edges[i - 1], edges[i])
                self._below.append(_solve(self._L[-1], turned[here, before].toarray().T).T)
                block -= self._below[-1] @ self._below[-1].T
            chol, failed = lapack.dpotrf(block, lower=1)
            if failed:
                raise np.linalg.LinAlgError("not positive definite")
            self._L.append(np.tril(chol))

    @property
    def log_determinant(self) -> float:
        """Log of the determinant."""
        return 2 * float(sum(np.log(np.diag(chol)).sum() for chol in self._L))

    def solve(self, right: Array) -> Array:
        """Return A^-1 right, shape as `right`: (m,) or (m, k)."""
        edges, order = self._at.edges, self._at.order
        x = np.array(right[order])
        parts = [slice(edges[i], edges[i + 1]) for i in range(edges.size - 1)]
        for i, here in enumerate(parts):
            if i:
                x[here] -= self._below[i - 1] @ x[parts[i - 1]]
            x[here] = _solve(self._L[i], x[here])
        for i in range(len(parts) - 1, -1, -1):
            if i < len(parts) - 1:
                x[parts[i]] -= self._below[i].T @ x[parts[i + 1]]
            x[parts[i]] = _solve(self._L[i], x[parts[i]], transposed=True)
        out = np.empty_like(x)
        out[order] = x
        return out

    def inverse_on(self, pattern: sp.csr_matrix) -> sp.csr_matrix:
        """Return the entries of A^-1 where `pattern` has any; its entries must lie inside the band.

        Z_ii = (L_ii L_ii')^-1 + G' Z_(i+1)(i+1) G and Z_(i+1)i = -Z_(i+1)(i+1) G with G = B_i L_ii^-1 (Takahashi 1973).
        """
        edges, order = self._at.edges, self._at.order
        turned = pattern[order][:, order].tocoo()
        block_of = np.searchsorted(edges, np.arange(order.size), side="right") - 1
        first = np.minimum(block_of[turned.row], block_of[turned.col])
        by_block = np.argsort(first, kind="stable")
        cuts = np.searchsorted(first[by_block], np.arange(edges.size))
        values = np.empty(turned.nnz)
        after: Array | None = None
        for i in range(edges.size - 2, -1, -1):
            inverse, _ = lapack.dpotri(self._L[i], lower=1)
            Z = np.tril(inverse) + np.tril(inverse, -1).T
            width = Z.shape[0]
            if after is not None:
                G = _solve(self._L[i], self._below[i].T, transposed=True).T
                beside = -after @ G
                Z -= G.T @ beside
                Z = np.block([[Z, beside.T], [beside, after]])
            mine = by_block[cuts[i] : cuts[i + 1]]
            values[mine] = Z[turned.row[mine] - edges[i], turned.col[mine] - edges[i]]
            after = Z[:width, :width]
        return sp.csr_matrix((values, (order[turned.row], order[turned.col])), shape=pattern.shape)


def _solve(chol: Array, right: Array, *, transposed: bool = False) -> Array:
    """L^-1 right or L'^-1 right, without the checks that cost more than the solve of a small block."""
    x, _ = lapack.dtrtrs(chol, right, lower=1, trans=int(transposed))
    return np.asarray(x)
