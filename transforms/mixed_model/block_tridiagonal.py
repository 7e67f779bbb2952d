"""Block tridiagonal Cholesky factorisation of positive definite matrices that are banded after reordering.

Reverse Cuthill-McKee (Cuthill and McKee 1969) finds the order. Blocks as wide as the band are then coupled only to
their neighbours, and factorisation, solves and the inverse inside the band cost m x band^2 instead of m^3. A matrix
without such an order becomes a single block with an ordinary Cholesky factorisation.
"""

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray
from scipy.linalg import lapack
from scipy.sparse.csgraph import reverse_cuthill_mckee

from transforms.arrays import Array

SMALLEST_BLOCK = 48


@dataclass(frozen=True)
class Banding:
    """Row order and block edges for one pattern of non-zeros."""

    order: NDArray[np.int64]
    edges: NDArray[np.int64]


def banding(pattern: sp.csr_matrix) -> Banding:
    """Return the row order and block edges in which the matrix is block tridiagonal.

    Args:
        pattern: symmetric matrix with the non-zeros of interest, shape (m, m).
    """
    m = pattern.shape[0]
    order = np.asarray(reverse_cuthill_mckee(pattern, symmetric_mode=True), dtype=np.int64)
    entries = pattern[order][:, order].tocoo()
    band = int(np.abs(entries.row - entries.col).max(initial=0))
    width = max(band, SMALLEST_BLOCK)
    edges = np.arange(0, m + 1, width, dtype=np.int64) if m > 2 * width else np.array([0], dtype=np.int64)
    return Banding(order, np.append(edges[:-1] if edges.size > 1 else edges, m))


class BlockTridiagonal:
    """Cholesky factors of a positive definite matrix in the order of a `Banding`.

    Raises:
        numpy.linalg.LinAlgError: the matrix is not positive definite.
    """

    def __init__(self, A: sp.csr_matrix, layout: Banding) -> None:
        self._layout = layout
        self._L: list[Array] = []
        self._below: list[Array] = []
        ordered = A[layout.order][:, layout.order].tocsr()
        edges = layout.edges
        for i in range(edges.size - 1):
            here = slice(edges[i], edges[i + 1])
            block = ordered[here, here].toarray()
            if i:
                before = slice(edges[i - 1], edges[i])
                self._below.append(_solve(self._L[-1], ordered[here, before].toarray().T).T)
                block -= self._below[-1] @ self._below[-1].T
            chol, failed = lapack.dpotrf(block, lower=1)
            if failed:
                raise np.linalg.LinAlgError("not positive definite")
            self._L.append(np.tril(chol))

    @property
    def log_determinant(self) -> float:
        """Logarithm of the determinant."""
        return 2 * float(sum(np.log(np.diag(chol)).sum() for chol in self._L))

    def solve(self, right: Array) -> Array:
        """Return A^-1 right, shape as `right`: (m,) or (m, k)."""
        edges, order = self._layout.edges, self._layout.order
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
        """Return the entries of A^-1 at the non-zeros of `pattern`, which must lie inside the band.

        Z_ii = (L_ii L_ii')^-1 + G' Z_(i+1)(i+1) G and Z_(i+1)i = -Z_(i+1)(i+1) G with G = B_i L_ii^-1 (Takahashi 1973).
        """
        edges, order = self._layout.edges, self._layout.order
        ordered = pattern[order][:, order].tocoo()
        block_of = np.searchsorted(edges, np.arange(order.size), side="right") - 1
        first = np.minimum(block_of[ordered.row], block_of[ordered.col])
        by_block = np.argsort(first, kind="stable")
        cuts = np.searchsorted(first[by_block], np.arange(edges.size))
        values = np.empty(ordered.nnz)
        after: Array | None = None
        for i in range(edges.size - 2, -1, -1):
            inverse, _ = lapack.dpotri(self._L[i], lower=1)
            Z = np.tril(inverse) + np.tril(inverse, -1).T
            width = Z.shape[0]
            if after is not None:
                G = _solve(self._L[i], self._below[i].T, transposed=True).T
                off_diagonal = -after @ G
                Z -= G.T @ off_diagonal
                Z = np.block([[Z, off_diagonal.T], [off_diagonal, after]])
            at_block = by_block[cuts[i] : cuts[i + 1]]
            values[at_block] = Z[ordered.row[at_block] - edges[i], ordered.col[at_block] - edges[i]]
            after = Z[:width, :width]
        return sp.csr_matrix((values, (order[ordered.row], order[ordered.col])), shape=pattern.shape)


def _solve(chol: Array, right: Array, *, transposed: bool = False) -> Array:
    """Return L^-1 right or L'^-1 right; call LAPACK directly, since SciPy's checks cost more than a small solve."""
    x, _ = lapack.dtrtrs(chol, right, lower=1, trans=int(transposed))
    return np.asarray(x)
