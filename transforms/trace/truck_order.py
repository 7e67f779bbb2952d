"""First come, first served: pooled trucks are filled in the order of their returns to the field.

The fillings that the chains found are slots with a start and an end. A hidden Markov chain aligns them with the trucks
in the order of their returns; its state is the slot that is served next. The message of all other trucks about the slot
of a truck is evidence on the start of its filling, at whichever machine. METHODS.md section 2.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, ndtr

from transforms.trace.day_clocks import lag_density
from transforms.trace.load_ends_hmm import OUTLIER_LAG_MIN, OUTLIER_PROBABILITY, Departures, Placement, departure_times
from transforms.trace.mass_streams import Stretch
from transforms.trace.truck_return import BACK_SD_MIN, BREAK, MIN_RETURNS

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
SLOT_SD_MIN = 2.0
"""Smallest standard deviation of the start and the end of a slot."""
STAYS, SKIPS = 0.03, 0.08
"""Probability that the next truck is aligned with the slot of the one before, and smallest probability that a slot is
that of a truck without known return (common practice, no source)."""
LONGEST_WAIT_MIN = 60.0
"""Longest time that trucks wait if they are served in any order (common practice, no source)."""
RELIABLE = 0.1
"""Power of the Bayes factor: errors of neighbouring slots are alike."""


@dataclass(frozen=True)
class Slots:
    """Fillings found by the chains, in order of their starts, minutes since 1970, shape (k,)."""

    start_min: Array
    start_sd_min: Array
    end_min: Array
    end_sd_min: Array


@dataclass(frozen=True)
class ServiceOrder:
    """Evidence on the start of fillings by the order of service.

    Attributes:
        slots: k slots.
        message: probability of each slot by the order of service, without the load's own departure, shape (n, k); 0 for
            loads whose truck's return is not known.
        log_odds: log Bayes factor of service in the order of returns against service in any order.
    """

    slots: Slots
    message: Array
    log_odds: float

    @classmethod
    def of(cls, slots: Slots, loads: Departures, back_min: Array) -> "ServiceOrder | None":
        """Align trucks with slots; None if too few returns are known.

        Args:
            slots: k slots.
            loads: n loads.
            back_min: return of the truck of each load, minutes since 1970, shape (n,); NaN if unknown.
        """
        known = np.flatnonzero(np.isfinite(back_min))
        if known.size < MIN_RETURNS or slots.start_min.size < MIN_RETURNS:
            return None
        rows = known[np.argsort(back_min[known], kind="stable")]
        back = back_min[rows]
        sd = np.hypot(loads.sd_min[rows, None], slots.end_sd_min[None, :])
        density = lag_density(loads.left_min[rows, None] - slots.end_min[None, :], sd)
        seen = OUTLIER_PROBABILITY / OUTLIER_LAG_MIN + (1 - OUTLIER_PROBABILITY) * density
        wait = slots.start_min[None, :] - back[:, None]
        seen *= (1 - BREAK) * ndtr(wait / np.hypot(BACK_SD_MIN, slots.start_sd_min)[None, :]) + BREAK
        message = np.zeros((back_min.size, slots.start_min.size))
        message[rows], log_likelihood = align(seen, _swaps(back), _steps(slots.start_min.size, rows.size))
        is_near = (wait > -2 * BACK_SD_MIN) & (wait < LONGEST_WAIT_MIN)
        any_order = (seen * is_near).sum(axis=1) / np.maximum(is_near.sum(axis=1), 1)
        log_any = float(np.log(np.maximum(any_order, BREAK * seen.mean(axis=1))).sum())
        return cls(slots, message, log_likelihood - log_any)

    @property
    def probability(self) -> float:
        """Probability that trucks are served in the order of their returns."""
        return float(expit(RELIABLE * self.log_odds))

    def weights(self, rows: Ints, begin_min: Array, size_cells: Array, share: float) -> Array:
        """Return the weight of each end of loads in a stream, shape (rows, cells); 1 for loads without return.

        Args:
            rows: the loads.
            begin_min: time at which a filling starts if it begins at each cell of the stream's grid, shape (cells,).
            size_cells: mass of each load in cells, shape (rows,).
            share: probability that the trucks are of one pool and served in order, 0 to 1.
        """
        cells = np.arange(begin_min.size)
        out = np.ones((rows.size, cells.size))
        sd = self.slots.start_sd_min[None, :]
        near = np.exp(-0.5 * ((begin_min[:, None] - self.slots.start_min[None, :]) / sd) ** 2) / (sd * 2.5066)
        # A start at any time has the weight 1.
        density = (self.message[rows] @ near.T) * float(np.ptp(self.slots.start_min))
        for i in np.flatnonzero(self.message[rows].sum(axis=1) > 0).tolist():
            at_begin = np.interp(cells - size_cells[i], cells, density[i])
            out[i] = 1 - share + share * ((1 - BREAK) * at_begin + BREAK)
        return out


def find_slots(
    stretch: Stretch, belief: Array, placed: dict[tuple[int, int], Placement], ahead_min: dict[str, float]
) -> Slots:
    """Return the fillings of all machines: each load at its likeliest machine, from the end of the load before it.

    Args:
        stretch: the stretch of work.
        belief: probability of each stream for each load, shape (n, M).
        placed: possible ends, (load, stream) -> placement.
        ahead_min: machine -> minutes its clock runs ahead.
    """
    parts = []
    best = np.where(belief.sum(axis=1) > 0.5, belief.argmax(axis=1), -1)
    for m, stream in enumerate(stretch.streams):
        ends = []
        for i in np.flatnonzero(best == m).tolist():
            times = departure_times(stream, placed[i, m].end_t)
            if times.size:
                mean = float(times @ placed[i, m].chance)
                ends.append((mean, float((times - mean) ** 2 @ placed[i, m].chance)))
        if ends:
            end, variance = np.array(sorted(ends)).T
            end -= ahead_min.get(stream.machine_id, 0.0)
            sd = np.maximum(np.sqrt(variance), SLOT_SD_MIN)
            first = float(departure_times(stream, np.zeros(1))[0]) - ahead_min.get(stream.machine_id, 0.0)
            parts.append((np.append(first, end[:-1]), np.append(SLOT_SD_MIN, sd[:-1]), end, sd))
    columns = [np.concatenate(c) for c in zip(*parts, strict=True)] if parts else [np.zeros(0)] * 4
    order = np.argsort(columns[0], kind="stable")
    return Slots(*(c[order] for c in columns))


def _swaps(back_min: Array) -> Array:
    """Return the probabilities that a truck has the slot before, at and after the one served next, shape (n, 3)."""
    turned = ndtr(-np.diff(back_min) / (np.sqrt(2) * BACK_SD_MIN)) / 2
    before, after = np.append(0.0, turned), np.append(turned, 0.0)
    return np.stack([before, 1 - before - after, after], axis=1)


def _steps(slots: int, returns: int) -> Array:
    """Return the probability of the next slot given the present one, shape (k, k)."""
    skips = max(SKIPS, 1 - returns / slots)
    ahead = np.arange(slots)[None, :] - np.arange(slots)[:, None]
    moves = (1 - STAYS) * (1 - skips) * skips ** np.maximum(ahead - 1, 0)
    step = np.where(ahead > 0, moves, np.where(ahead == 0, STAYS, 0.0))
    return np.asarray(step / step.sum(axis=1, keepdims=True))


def align(seen: Array, swap: Array, step: Array) -> tuple[Array, float]:
    """Return the message of all other trucks about the slot of each, shape (n, k), and the log likelihood.

    Args:
        seen: density of the departure and return of each truck at each slot, shape (n, k), in order of returns.
        swap: probabilities of the slot before, at and after the one served next, shape (n, 3).
        step: probability of the next slot given the present one, shape (k, k).
    """
    n, count = seen.shape
    emitted = np.array([_moved(seen[i], swap[i]) for i in range(n)])
    ahead, log_likelihood, state = np.zeros((n, count)), 0.0, np.full(count, 1 / count)
    for i in range(n):
        ahead[i] = state
        weight = state * emitted[i]
        log_likelihood += float(np.log(weight.sum()))
        state = (weight / weight.sum()) @ step
    out, later = np.zeros((n, count)), np.ones(count)
    for i in range(n - 1, -1, -1):
        out[i] = _moved(ahead[i] * later, swap[i, ::-1])
        later = step @ (later * emitted[i])
        later /= later.max()
    return out / out.sum(axis=1, keepdims=True), log_likelihood


def _moved(row: Array, swap: Array) -> Array:
    """Return the mixture of the values before, at and after each slot."""
    before, after = np.append(0.0, row[:-1]), np.append(row[1:], 0.0)
    return np.asarray(swap[0] * before + swap[1] * row + swap[2] * after)
