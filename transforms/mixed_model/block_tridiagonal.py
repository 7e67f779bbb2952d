"""Block tridiagonal Cholesky factorisation of sparse positive definite matrices.

The levels of a breadth-first search are coupled only to their neighbours, so a matrix ordered by level is block
tridiagonal (Cuthill and McKee 1969, started from an end of the graph: George and Liu 1979). Factorisation, solves and
the inverse inside the blocks cost the sum of block size^3 instead of m^3. A matrix without such an order becomes a
single block with an ordinary Cholesky factorisation.
"""

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray
from scipy.linalg import blas, lapack
from scipy.sparse.csgraph import breadth_first_order, connected_components

from transforms.arrays import Array

SMALLEST_BLOCK = 48
"""Neighbouring levels are joined up to this size: many small blocks cost more in calls than they save in arithmetic."""


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
    count, component = connected_components(pattern, directed=False)
    members = np.argsort(component, kind="stable")
    firsts = np.searchsorted(component[members], np.arange(count))
    order, sizes = [], []
    for first in members[firsts]:
        rows, level = _levels(pattern, int(first))
        ends = np.flatnonzero(level == level[-1])
        degree = np.diff(pattern.indptr)[rows[ends]]
        rows, level = _levels(pattern, int(rows[ends[np.argmin(degree)]]))
        order.append(rows)
        sizes.append(np.bincount(level))
    edges = [0]
    for edge in np.cumsum(np.concatenate(sizes)).tolist():
        if edge - edges[-1] >= SMALLEST_BLOCK:
            edges.append(edge)
    if edges[-1] < pattern.shape[0]:
        edges = [*(edges[:-1] or [0]), pattern.shape[0]]
    return Banding(np.concatenate(order).astype(np.int64), np.array(edges, dtype=np.int64))


def _levels(pattern: sp.csr_matrix, first: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the rows connected to `first`, by distance from it, and their distances; both of shape (connected,)."""
    rows, before = breadth_first_order(pattern, first, directed=False)
    distance, parents = [0] * pattern.shape[0], before.tolist()
    for row in rows[1:].tolist():
        distance[row] = distance[parents[row]] + 1
    return rows, np.array(distance, dtype=np.int64)[rows]


class BlockTridiagonal:
    """Cholesky factor L of a positive definite matrix that is block tridiagonal.

    Args:
        A: the matrix in the order of a `Banding`, shape (m, m).
        edges: block edges of the banding.

    Raises:
        numpy.linalg.LinAlgError: the matrix is not positive definite.
    """

    def __init__(self, A: sp.csr_matrix, edges: NDArray[np.int64]) -> None:
        self._blocks = [slice(a, b) for a, b in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True)]
        self._L: list[Array] = []
        self._below: list[Array] = []
        start = 0
        for here in self._blocks:
            # Row-major arrays are the transposes of the column-major ones that BLAS takes without a copy.
            rows = A[here, start : here.stop].toarray()
            block = rows[:, here.start - start :]
            if self._L:
                left = np.ascontiguousarray(rows[:, : here.start - start])
                self._below.append(blas.dtrsm(1.0, self._L[-1], left.T, lower=1, overwrite_b=1).T)
                block = block - self._below[-1] @ self._below[-1].T
            chol, failed = lapack.dpotrf(np.asfortranarray(block), lower=1, clean=1, overwrite_a=1)
            if failed:
                raise np.linalg.LinAlgError("not positive definite")
            self._L.append(chol)
            start = here.start

    @property
    def log_determinant(self) -> float:
        """Logarithm of the determinant."""
        return 2 * float(sum(np.log(np.diag(chol)).sum() for chol in self._L))

    def solve(self, right: Array) -> Array:
        """Return A^-1 right, shape as `right`: (m,) or (m, k)."""
        return self.backward(self.forward(right))

    def forward(self, right: Array, *, overwrite: bool = False) -> Array:
        """Return L^-1 right.

        Args:
            right: right-hand sides, shape (m,) or (m, k).
            overwrite: `right` may be overwritten if it is row-major.

        Returns:
            The solution, shape as `right`.
        """
        x = _matrix(right, overwrite=overwrite)
        for i, here in enumerate(self._blocks):
            if i:
                x[here] -= self._below[i - 1] @ x[self._blocks[i - 1]]
            x[here] = _solve(self._L[i], x[here])
        return x.reshape(right.shape)

    def backward(self, right: Array, *, overwrite: bool = False) -> Array:
        """Return L'^-1 right.

        Args:
            right: right-hand sides, shape (m,) or (m, k).
            overwrite: `right` may be overwritten if it is row-major.

        Returns:
            The solution, shape as `right`.
        """
        x = _matrix(right, overwrite=overwrite)
        for i in range(len(self._blocks) - 1, -1, -1):
            here = self._blocks[i]
            if i < len(self._blocks) - 1:
                x[here] -= self._below[i].T @ x[self._blocks[i + 1]]
            x[here] = _solve(self._L[i], x[here], transposed=True)
        return x.reshape(right.shape)

    def inverse_on(self, pattern: sp.csr_matrix, root: Array) -> sp.csr_matrix:
        """Return the entries of A^-1 + root root' at the non-zeros of `pattern`, which must lie inside the blocks.

        Z_ii = (L_ii L_ii')^-1 + G' Z_(i+1)(i+1) G and Z_(i+1)i = -Z_(i+1)(i+1) G with G = B_i L_ii^-1 (Takahashi 1973).

        Args:
            pattern: symmetric matrix with the non-zeros of interest, in the order of A, shape (m, m).
            root: root of a matrix of low rank to add, shape (m, k).
        """
        starts, widths = np.array([(b.start, b.stop - b.start) for b in self._blocks]).T
        rows = np.repeat(np.arange(pattern.shape[0]), np.diff(pattern.indptr))
        # The inverse is symmetric: its entries are read from the diagonal blocks and from those below them.
        lower, upper = np.maximum(rows, pattern.indices), np.minimum(rows, pattern.indices)
        block = np.repeat(np.arange(starts.size), widths)[upper]
        by_block = np.argsort(block, kind="stable")
        cuts = np.searchsorted(block[by_block], np.arange(starts.size + 1))
        values = np.empty(rows.size)
        after = np.empty((0, 0))
        for i in range(starts.size - 1, -1, -1):
            here = self._blocks[i]
            Z = _inverse(self._L[i])
            columns = np.zeros((widths[i] + after.shape[0], widths[i]))
            if after.size:
                G = blas.dtrsm(1.0, self._L[i], self._below[i].T, lower=1, trans_a=1).T
                off_diagonal = after @ G
                Z += G.T @ off_diagonal
                columns[widths[i] :] = -off_diagonal
            columns[: widths[i]] = Z
            columns += root[here.start : here.start + columns.shape[0]] @ root[here].T
            at = by_block[cuts[i] : cuts[i + 1]]
            values[at] = columns[lower[at] - here.start, upper[at] - here.start]
            after = Z
        return sp.csr_matrix((values, pattern.indices, pattern.indptr), shape=pattern.shape)


def _matrix(right: Array, *, overwrite: bool) -> Array:
    """Return `right` as a row-major matrix: a copy unless `overwrite`."""
    matrix = right.reshape(right.shape[0], -1)
    return np.ascontiguousarray(matrix) if overwrite else np.array(matrix, order="C")


def _solve(chol: Array, right: Array, *, transposed: bool = False) -> Array:
    """Overwrite the row-major matrix `right` with L^-1 right, or with L'^-1 right, and return it."""
    return np.asarray(blas.dtrsm(1.0, chol, right.T, side=1, lower=1, trans_a=not transposed, overwrite_b=1).T)


def _inverse(chol: Array) -> Array:
    """Return (L L')^-1."""
    inverse, _ = lapack.dpotri(chol, lower=1)
    return np.asarray(inverse + np.tril(inverse, -1).T)
