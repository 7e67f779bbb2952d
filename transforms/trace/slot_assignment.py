"""Assignment of loads to slots of mean load size, for several machines in one field, by smallest misfit.

The misfit determines the time shift of each machine's slots: the loads of one machine follow each other like its slots,
and only near the true shift do the first and last loads of every machine match a slot.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from transforms.trace.load_ends_hmm import departure_times
from transforms.trace.mass_streams import Stretch

Array = NDArray[np.float64]
MAX_MISFIT = 25.0
"""Upper bound on the misfit of one load, in squared standard deviations."""
APART_MIN = 2.0
"""Scale of the penalty on different shifts: machines in one field usually share the same shift."""


class Assignment(NamedTuple):
    """Misfit of an assignment, and the indices of its loads and slots, pair by pair."""

    misfit: float
    loads: NDArray[np.int64]
    slots: NDArray[np.int64]


@dataclass(frozen=True)
class Slots:
    """Loads and the slots of all machines.

    Attributes:
        at_min: time of each load, minutes, shape (n,).
        sd_min: its standard deviation, shape (n,).
        owner: stream of each slot, shape (k,).
        full_min: time at which each slot was full, shape (k,), on the loads' clock except for one shift per machine.
        foreign: True if a load's ticket names a machine other than the slot's, shape (n, k).
        clock_weight: weight of the penalty on shifts if only machines' clocks need any; None if the lag is unknown.
    """

    at_min: Array
    sd_min: Array
    owner: NDArray[np.int64]
    full_min: Array
    foreign: NDArray[np.bool_]
    clock_weight: float | None = None

    def assigned(self, shift_min: Array) -> Assignment:
        """Return the misfit of the best assignment at given shifts per machine, and its loads and slots."""
        off = (self.at_min[:, None] - (self.full_min + shift_min[self.owner])[None, :]) / self.sd_min[:, None]
        cost = np.minimum(off**2, MAX_MISFIT) + np.where(self.foreign, 4 * MAX_MISFIT, 0.0)
        loads, slots = linear_sum_assignment(cost)
        return Assignment(float(cost[loads, slots].sum() + self._penalty(shift_min)), loads, slots)

    def _penalty(self, shift_min: Array) -> float:
        """Return the penalty on different shifts; if the lag is known, also on a common shift."""
        if self.clock_weight is None:
            return _penalty_from(shift_min, float(np.median(shift_min)))
        common = np.append(shift_min, 0.0).tolist()
        smallest = min(_penalty_from(shift_min, c) + _penalty_from(np.array([c]), 0.0) for c in common)
        return self.clock_weight * smallest

    def best_shift(self, shift_min: Array, steps: tuple[range, ...]) -> Array:
        """Return shifts with a smaller misfit, shape (m,); all machines are moved together, then one by one.

        Args:
            shift_min: initial shift of each machine's slots, minutes, shape (m,).
            steps: minutes to add in each round, from the coarsest to the finest.
        """
        smallest, best = self.assigned(shift_min).misfit, shift_min
        for step in steps:
            for move in (np.ones(best.size), *np.eye(best.size)):
                for candidate in [best + minutes * move for minutes in step]:
                    misfit = self.assigned(candidate).misfit
                    if misfit < smallest - 1e-9:
                        smallest, best = misfit, candidate
        return best

    def best_clocks(self, steps: tuple[range, ...]) -> Array:
        """Return shifts with a smaller misfit than none, shape (m,); the shift that helps most comes first.

        Machines one by one would be shifted in the place of one whose clock is off.

        Args:
            steps: minutes to add in each round, from the coarsest to the finest.
        """
        best = np.zeros(int(self.owner.max()) + 1)
        smallest = self.assigned(best).misfit
        for step in steps:
            while True:
                moves = [best + minutes * move for move in (np.ones(best.size), *np.eye(best.size)) for minutes in step]
                misfits = [self.assigned(move).misfit for move in moves]
                if min(misfits) >= smallest - 1e-9:
                    break
                smallest, best = min(misfits), moves[int(np.argmin(misfits))]
        return best


def _penalty_from(shift_min: Array, centre_min: float) -> float:
    return float(2 * np.log1p(((shift_min - centre_min) / APART_MIN) ** 2).sum())


def cut_into_slots(stretch: Stretch, mean_t: float, ahead_min: dict[str, float]) -> tuple[NDArray[np.int64], Array]:
    """Return the stream of each slot and the time at which it was full; a slot holds `mean_t` lifted tonnes.

    Args:
        stretch: the stretch of work.
        mean_t: mean load, in lifted tonnes.
        ahead_min: machine -> minutes its clock is known to run ahead.

    Returns:
        Index of the stream, shape (k,), and minutes since 1970 corrected by `ahead_min`, shape (k,).
    """
    owner, full = [], []
    for m, stream in enumerate(stretch.streams):
        count = max(1, round(stream.lifted_t / mean_t))
        owner.append(np.full(count, m))
        at = departure_times(stream, stream.lifted_t * (np.arange(count) + 1) / count)
        full.append(at - ahead_min.get(stream.machine_id, 0.0))
    return np.concatenate(owner), np.concatenate(full)
