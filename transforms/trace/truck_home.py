"""Home machines of trucks: a truck mostly hauls for one machine of a stretch.

Within a stretch, truck k has a home machine h_k, uniform over the M streams, and takes each load there except with
probability e (the leak), then elsewhere with equal chances:

    P(m | h) = 1 - e if m = h, else e / (M - 1)                                                               (2.6)

The message to load i is its machine given the other loads of its truck, relative to no knowledge:

    t_i(m) = M sum_h P(m | h) P(h | others),   P(h | others) ~ prod_(j != i) sum_m b_j(m) P(m | h)            (2.7)

with b_j the belief of load j by masses and times alone. Two loads of a truck share a machine with the excess
kappa = (1 - e M / (M - 1))^2 over chance. kappa maximises sum log(kappa M sum_m b_i(m) b_j(m) + 1 - kappa) over pairs of
loads of one truck, with a prior worth `PRIOR_PAIRS` pairs of `USUAL_LEAK`: trucks of one pool get kappa = 0 and change
nothing.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar

Array = NDArray[np.float64]
USUAL_LEAK = 0.1
"""Share of loads that a truck takes from another machine (common practice, no source)."""
PRIOR_PAIRS = 4.0
"""Weight of the usual leak, in pairs of loads whose machines are known."""
SURE = 0.999
"""No home machine excludes the others altogether."""


@dataclass(frozen=True)
class Trucks:
    """Loads of one stretch by truck.

    Attributes:
        truck: truck of each load, -1 if unknown, shape (n,).
        streams: number M of streams.
    """

    truck: NDArray[np.int64]
    streams: int

    @classmethod
    def of(cls, ids: list[str | None], streams: int) -> "Trucks":
        """Return the trucks of the loads; a truck with one load only says nothing."""
        known = sorted({i for i in ids if i is not None and ids.count(i) > 1})
        number = {name: k for k, name in enumerate(known)}
        return cls(np.array([number.get(i, -1) if i is not None else -1 for i in ids], dtype=np.int64), streams)

    @property
    def are_known(self) -> bool:
        """True if some truck has several loads and there are several streams."""
        return self.streams > 1 and bool((self.truck >= 0).any())

    def messages(self, belief: Array) -> Array:
        """Return t_i(m) of (2.7), shape (n, m); 1 for loads without a known truck.

        Args:
            belief: probability of each stream for each load without its truck, shape (n, m), rows that sum to at most 1;
                the remainder is the probability of no stream and carries no knowledge.
        """
        out, m = np.ones((self.truck.size, self.streams)), self.streams
        b = belief + (1 - belief.sum(axis=1, keepdims=True)) / m
        leak = self.leak(b)
        of_home = np.full((m, m), leak / (m - 1))
        np.fill_diagonal(of_home, 1 - leak)
        for k in range(int(self.truck.max(initial=-1)) + 1):
            own = np.flatnonzero(self.truck == k)
            each = np.log(np.maximum(b[own] @ of_home, 1e-12))  # symmetric: sum over m of b(m) P(m | h)
            others = each.sum(axis=0) - each
            home = np.exp(others - others.max(axis=1, keepdims=True))
            home /= home.sum(axis=1, keepdims=True)
            out[own] = m * (SURE * home + (1 - SURE) / m) @ of_home
        return out

    def leak(self, b: Array) -> float:
        """Return the leak e from the pairs of loads of each truck.

        Args:
            b: probability of each stream for each load, shape (n, m), rows that sum to 1.
        """
        m = self.streams
        agree = [
            b[own] @ b[own].T
            for own in (np.flatnonzero(self.truck == k) for k in np.unique(self.truck[self.truck >= 0]))
        ]
        pairs = np.concatenate([a[np.triu_indices(len(a), 1)] for a in agree])
        usual = (1 - USUAL_LEAK * m / (m - 1)) ** 2

        def loss(kappa: float) -> float:
            prior = usual * np.log(kappa * m + 1 - kappa) + (1 - usual) * np.log(max(1 - kappa, 1e-9))
            return -float(np.log(kappa * m * pairs + 1 - kappa).sum() + PRIOR_PAIRS * prior)

        kappa = float(minimize_scalar(loss, bounds=(0.0, 1.0 - 1e-6), method="bounded").x)
        return (m - 1) / m * (1 - np.sqrt(kappa))
