"""Several machines in one field: every stream cut into slots of the mean load, loads given to slots by least misfit.

The misfit tells how far each machine's slots must be moved in time: loads of one machine follow each other like its
slots, and only near the true place do the first and the last loads of every machine find one.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from transforms.trace.load_ends_hmm import full_when
from transforms.trace.mass_streams import Stretch

Array = NDArray[np.float64]
MOST_MISFIT = 25.0
"""The most that one load may count, in squared spreads."""
APART_MIN = 2.0
"""Machines of one field are mostly moved alike: that they differ by more than this must pay."""


@dataclass(frozen=True)
class Slots:
    """Loads against the slots of all machines.

    Attributes:
        at_min: a time of each load, shape (n,).
        sd_min: its spread, shape (n,).
        owner: stream of each slot, shape (k,).
        full_min: when each slot was full, on the same clock as the loads' times but for a shift a machine.
        foreign: whether a load's ticket names another machine than a slot's, shape (n, k).
    """

    at_min: Array
    sd_min: Array
    owner: NDArray[np.int64]
    full_min: Array
    foreign: NDArray[np.bool_]

    def assigned(self, shift_min: Array) -> tuple[float, NDArray[np.int64], NDArray[np.int64]]:
        """Return the misfit of the best assignment at these shifts of the machines, and its loads and slots."""
        off = (self.at_min[:, None] - (self.full_min + shift_min[self.owner])[None, :]) / self.sd_min[:, None]
        cost = np.minimum(off**2, MOST_MISFIT) + np.where(self.foreign, 4 * MOST_MISFIT, 0.0)
        loads, slots = linear_sum_assignment(cost)
        apart = 2 * np.log1p(((shift_min - np.median(shift_min)) / APART_MIN) ** 2).sum()
        return float(cost[loads, slots].sum() + apart), loads, slots

    def best_shift(self, shift_min: Array, steps: tuple[range, ...]) -> Array:
        """Move all machines together, then one after the other, coarse before fine, where it lessens the misfit."""
        least, at = self.assigned(shift_min)[0], shift_min
        for step in steps:
            for move in (np.ones(at.size), *np.eye(at.size)):
                for tried in [at + away * move for away in step]:
                    misfit = self.assigned(tried)[0]
                    if misfit < least - 1e-9:
                        least, at = misfit, tried
        return at


def cut_into_slots(stretch: Stretch, mean_t: float, ahead_min: dict[str, float]) -> tuple[NDArray[np.int64], Array]:
    """Return (stream, when full) of each slot; a slot holds `mean_t` lifted tonnes.

    Args:
        stretch: the work.
        mean_t: mean load, in lifted tonnes.
        ahead_min: minutes each machine's clock is known to run ahead.
    """
    owner, full = [], []
    for m, stream in enumerate(stretch.streams):
        count = max(1, round(stream.lifted_t / mean_t))
        owner.append(np.full(count, m))
        at = full_when(stream, stream.lifted_t * (np.arange(count) + 1) / count)
        full.append(at - ahead_min.get(stream.machine_id, 0.0))
    return np.concatenate(owner), np.concatenate(full)
