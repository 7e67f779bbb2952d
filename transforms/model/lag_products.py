"""Products of successive rows of a visit, and what a process that varies from row to row adds to them.

For values centred in their visits, S_k is the sum over pairs of rows k apart of the product of their values. A process
with covariance s2 phi^|i - j| between rows i and j of a visit has, after centring,

    E(S_k) = s2 M_k(phi),   M_k(phi) = sum over visits of tr(A_k Q C(phi) Q),   Q = I - J / n                  (29)

with A_k the matrix that picks the pairs; phi = 0 is noise that is new in each row. METHODS.md section 5.
"""

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from transforms.arrays import Array

LAGS = 4
"""Products are summed up to this lag."""
STAYS = tuple(np.round(np.arange(0.4, 0.96, 0.05), 2).tolist())
"""Candidates of phi, the correlation from a row to the next of its visit."""


@dataclass(frozen=True)
class VisitOrder:
    """Rows in time order within their visits.

    Attributes:
        visit: visit of each row, from 0 without gaps, shape (n,).
        time: number that orders the rows of a visit, shape (n,).
    """

    visit: NDArray[np.int64]
    time: Array

    @cached_property
    def order(self) -> NDArray[np.int64]:
        """Rows sorted by visit and time, shape (n,)."""
        return np.lexsort((self.time, self.visit))

    @cached_property
    def sizes(self) -> NDArray[np.int64]:
        """Number of rows of each visit."""
        return np.bincount(self.visit)

    @cached_property
    def _expected(self) -> dict[float, Array]:
        """Results of `expected` by phi: every setting of a fit asks for the same."""
        return {}

    def centred(self, values: Array) -> Array:
        """Return values less the mean of their visit, in the order of `order`; shape (n,) or (n, k)."""
        sorted_values, visit = values[self.order], self.visit[self.order]
        starts = np.concatenate([[0], np.cumsum(self.sizes)[:-1]])
        means = (np.add.reduceat(sorted_values, starts, axis=0).T / self.sizes).T
        return np.asarray(sorted_values - means[visit])

    def products(self, values: Array) -> Array:
        """Return S_0 to S_LAGS of each column of values, shape (LAGS + 1, k).

        Args:
            values: shape (n, k).
        """
        inside, visit = self.centred(values), self.visit[self.order]
        sums = [(inside**2).sum(axis=0)]
        for k in range(1, LAGS + 1):
            same = visit[k:] == visit[:-k]
            sums.append((inside[k:] * inside[:-k] * same[:, None]).sum(axis=0))
        return np.array(sums)

    def expected(self, stay: float) -> Array:
        """Return M_0 to M_LAGS of a process of variance one, shape (LAGS + 1,).

        Args:
            stay: phi; 0 for noise.
        """
        if stay not in self._expected:
            out = np.zeros(LAGS + 1)
            for n, visits in zip(*np.unique(self.sizes, return_counts=True), strict=True):
                out += visits * _traces(int(n), stay)
            self._expected[stay] = out
        return self._expected[stay].copy()


@lru_cache(maxsize=4096)
def _traces(n: int, stay: float) -> Array:
    """Return tr(A_k Q C(phi) Q) of (29) for a visit of n rows and each lag, shape (LAGS + 1,).

    A fit asks for the same sizes and candidates of phi many times: the jackknife for each group of visits.
    """
    gap = np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
    Q = np.eye(n) - 1 / n
    R = Q @ np.power(stay, gap, where=gap > 0, out=np.eye(n)) @ Q
    return np.array([np.trace(R, offset=k) for k in range(LAGS + 1)])
