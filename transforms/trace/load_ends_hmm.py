"""Hidden Markov model of the ends of loads in one machine's mass stream, along its cumulative mass.

The hidden state is the mass hauled from the stream when a load is full, on a grid in tonnes, for several ratios of
weighed to lifted mass. Each load advances it by its own delivered mass; occasionally mass leaves without a ticket. The
observation is the departure time of the load, with the standard deviation of the lag. Forward and backward sums give
the distribution of the end of every load, conditional on all other loads. METHODS.md section 2.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import convolve1d
from scipy.signal import lfilter

from transforms.trace.mass_streams import Stream

Array = NDArray[np.float64]

GRID_T = 1.0
SCALE_STEP, SCALE_REACH = 0.035, 3
"""Log step of the ratio of weighed to lifted mass, and steps searched beyond the stretch's own and the usual ratio."""
SCALE_SD = 0.10
SCALE_MOVES = 0.10
"""Probability that the scale changes by one step between two loads: dirt and yield change within a day."""
LOAD_SD, LOAD_SD_T = 0.03, 0.3
"""Standard deviation of lifted mass over one load: as a fraction of it, and in tonnes."""
UNTICKETED_PROBABILITY, UNTICKETED_T = 0.01, 27.0
"""Probability that mass without a ticket leaves before a load, and the mean of that mass, t."""
OUTLIER_PROBABILITY, OUTLIER_LAG_MIN = 0.01, 600.0
"""Probability of an outlying lag, and the range in minutes over which it is uniform."""
FOREIGN_TICKET_PROBABILITY = 0.01
"""Probability that a ticket belongs to no mass lifted here."""
NEGLIGIBLE = 1e-6
"""States with a smaller probability relative to the most likely state are dropped."""
TAIL_CELLS = 110
LIKELY = 5e-3
"""Ends of a load with a smaller probability relative to the most likely end are not reported."""
NO_LOAD = FOREIGN_TICKET_PROBABILITY / OUTLIER_LAG_MIN
"""Weight of "this load took nothing here", comparable with the density of a departure time."""
REST_SD_T, REST_TAIL_T, REST_TAIL = 3.0, 20.0, 0.1
"""Mass left at the end of the work: almost none (normal), or a truck that was never weighed (tail)."""


@dataclass(frozen=True)
class Departures:
    """Initial estimates of the departures of loads from the field, in order of time.

    Attributes:
        left_min: minutes since 1970, shape (n,).
        sd_min: standard deviation of each, minutes.
        delivered_t: delivered mass of each, t.
    """

    left_min: Array
    sd_min: Array
    delivered_t: Array


@dataclass(frozen=True)
class Placement:
    """Possible ends of one load in the stream.

    Attributes:
        taken: probability that the load was filled from this stream, given the messages of the other streams.
        end_t: possible ends, in lifted t of the stream, shape (k,); empty if it cannot have been filled here.
        size_t: lifted mass of the load for each end, t, shape (k,).
        chance: probability of each end, shape (k,); they sum to 1.
    """

    taken: float
    end_t: Array
    size_t: Array
    chance: Array


@dataclass(frozen=True)
class _States:
    """Weights of the states from cell `low` on, shape (scales, cells); all others are zero."""

    low: int
    weight: Array

    @property
    def high(self) -> int:
        return self.low + int(self.weight.shape[1])

    def reindex(self, low: int, high: int) -> "_States":
        """Return the same weights over a range of cells; cells outside the present range have weight zero.

        Args:
            low: first cell.
            high: cell after the last.
        """
        if low == self.low and high == self.high:
            return self
        out = np.zeros((self.weight.shape[0], max(high - low, 1)))
        first, last = max(low, self.low), min(high, self.high)
        if last > first:
            out[:, first - low : last - low] = self.weight[:, first - self.low : last - self.low]
        return _States(low, out)

    def trimmed(self) -> "_States":
        """Return the weights without negligible states at either end, scaled to a sum of 1."""
        best = self.weight.max(axis=0)
        kept = np.flatnonzero(best > NEGLIGIBLE * best.max())
        inside = self.weight[:, kept[0] : kept[-1] + 1]
        return _States(self.low + int(kept[0]), inside / inside.sum())


class Chain:
    """Chain of the loads that may have been filled from one machine's stream."""

    weights: Array | None = None
    """Further evidence on the end of each load, by cell, shape (n, cells)."""

    def __init__(self, stream: Stream, loads: Departures, closure: float, usual: float, ahead_min: float) -> None:
        """Set up the grid of states.

        Args:
            stream: mass lifted by the machine.
            loads: loads that may belong to it, in order of departure.
            closure: weighed over lifted mass at the middle of the scales.
            usual: usual closure of the field, the centre of the prior on scales.
            ahead_min: minutes by which the machine's clock runs ahead.
        """
        self.loads = loads
        usual_step = round(float(np.log(usual / closure)) / SCALE_STEP)
        steps = np.arange(min(usual_step + 1, 0) - SCALE_REACH, max(usual_step - 1, 0) + SCALE_REACH + 1)
        self.scale = closure * np.exp(SCALE_STEP * steps)
        log_deviation = (np.log(self.scale / usual) / SCALE_SD) ** 2
        self.prior = np.exp(-0.5 * (log_deviation - log_deviation.min()))
        self.prior /= self.prior.sum()
        self.cells = int(np.ceil(stream.lifted_t / GRID_T)) + 4
        self.at = np.arange(self.cells, dtype=np.float64) * GRID_T
        self.left_over = (stream.lifted_t - self.at) * closure
        self.full_min = departure_times(stream, self.at) - ahead_min
        self.decay = np.exp(-GRID_T / UNTICKETED_T)
        self.taps = [_taps(g) for g in loads.delivered_t]
        self.moves = [_moves(g / self.scale) for g in loads.delivered_t]

    def _seen(self, i: int, states: _States) -> Array:
        """Return the density of the departure time of load i at each state, times further evidence on its end."""
        sd = self.loads.sd_min[i]
        residual = (self.loads.left_min[i] - self.full_min[states.low : states.high]) / sd
        density = np.asarray(
            OUTLIER_PROBABILITY / OUTLIER_LAG_MIN
            + (1 - OUTLIER_PROBABILITY) * np.exp(-0.5 * np.minimum(residual**2, 60.0)) / (sd * 2.5066)
        )
        return density if self.weights is None else density * self.weights[i, states.low : states.high]

    def _on(self, states: _States, i: int) -> _States:
        """Return the states after load i was filled from the given ones."""
        moves, taps = self.moves[i], self.taps[i]
        reach = moves[0][0] + 1 + taps.size // 2 + TAIL_CELLS
        ready = states.reindex(states.low, min(states.high + reach, self.cells)).weight
        skipped = lfilter([1 - self.decay], [1, -self.decay], ready, axis=1)
        ready = (1 - UNTICKETED_PROBABILITY) * ready + UNTICKETED_PROBABILITY * skipped
        moved, width = np.zeros_like(ready), ready.shape[1]
        for s, (whole, part) in enumerate(moves):
            moved[s, whole:] = (1 - part) * ready[s, : max(width - whole, 0)]
            moved[s, whole + 1 :] += part * ready[s, : max(width - whole - 1, 0)]
        return _States(states.low, _mixed(convolve1d(moved, taps, axis=1, mode="constant")))

    def _back(self, later: _States, i: int, low: int, high: int) -> Array:
        """Return the backward weights of the cells from low to high before load i: the transpose of `_on`."""
        moves, taps = self.moves[i], self.taps[i]
        reach = later.reindex(low, max(high + moves[0][0] + 1 + TAIL_CELLS, later.high))
        smoothed = convolve1d(_mixed(reach.weight), taps, axis=1, mode="constant")
        moved, width = np.zeros_like(smoothed), smoothed.shape[1]
        for s, (whole, part) in enumerate(moves):
            moved[s, : max(width - whole, 0)] = (1 - part) * smoothed[s, whole:]
            moved[s, : max(width - whole - 1, 0)] += part * smoothed[s, whole + 1 :]
        skipped = lfilter([1 - self.decay], [1, -self.decay], moved[:, ::-1], axis=1)[:, ::-1]
        return np.asarray((1 - UNTICKETED_PROBABILITY) * moved + UNTICKETED_PROBABILITY * skipped)[:, : high - low]

    def _start(self) -> _States:
        """Return the prior of the states before the first load."""
        width = min(TAIL_CELLS * 2, self.cells)
        begin = np.zeros((self.scale.size, width))
        begin[:, 0] = 0.98
        begin += 0.02 * np.exp(-np.arange(width) * GRID_T / UNTICKETED_T) * GRID_T / UNTICKETED_T
        return _States(0, begin * self.prior[:, None])

    def _end(self, low: int, high: int) -> _States:
        """Return the weights of the states after the last load, by the mass left behind."""
        left = self.left_over[low:high]
        near = np.exp(-0.5 * (left / REST_SD_T) ** 2) / (REST_SD_T * 2.5066)
        tail = np.exp(-np.abs(left) / REST_TAIL_T) / REST_TAIL_T + NEGLIGIBLE**2
        return _States(low, np.broadcast_to((1 - REST_TAIL) * near + REST_TAIL * tail, (self.scale.size, high - low)))

    def place(self, own_weight: Array, other_weight: Array) -> tuple[list[Placement], Array]:
        """Return the possible ends of every load and the odds of its belonging to this stream.

        Args:
            own_weight: weight of "taken from this stream" given by the messages of the other streams, shape (n,).
            other_weight: weight of "not from this stream", shape (n,).

        Returns:
            The placement of each load, and the chain's own odds that it was taken from this stream, shape (n,).
        """
        n = self.loads.delivered_t.size
        before: list[_States] = [self._start()]
        filled: list[_States] = []
        for i in range(n):
            after = self._on(before[i], i)
            filled.append(_States(after.low, after.weight * self._seen(i, after)))
            unmoved = before[i].reindex(after.low, after.high).weight
            before.append(_States(after.low, own_weight[i] * filled[i].weight + other_weight[i] * unmoved).trimmed())
        later = self._end(before[n].low, before[n].high)
        placed: list[Placement] = []
        odds = np.zeros(n)
        for i in range(n - 1, -1, -1):
            taken: Array = filled[i].reindex(later.low, later.high).weight * later.weight
            current, unfilled = before[i], later.reindex(before[i].low, before[i].high)
            odds[i] = taken.sum() / max(float((current.weight * unfilled.weight).sum()), 1e-300)
            placed.append(self._placed(_States(later.low, taken), i, own_weight[i] * odds[i], other_weight[i]))
            observed = _States(later.low, self._seen(i, later) * later.weight)
            backward = self._back(observed, i, current.low, current.high)
            weight: Array = own_weight[i] * backward + other_weight[i] * unfilled.weight
            later = _States(current.low, weight / max(float(weight.max()), 1e-300))
        return placed[::-1], odds

    def _placed(self, taken: _States, i: int, own_weight: float, other_weight: float) -> Placement:
        kept = taken.weight > LIKELY * taken.weight.max()
        scale, cell = np.nonzero(kept)
        chance = taken.weight[kept] / max(float(taken.weight[kept].sum()), 1e-300)
        size_t = self.loads.delivered_t[i] / self.scale[scale]
        return Placement(own_weight / (own_weight + other_weight), self.at[cell + taken.low], size_t, chance)


def _taps(delivered_t: float) -> Array:
    """Return the discretised normal distribution of the deviation of lifted mass over one load, by cell."""
    sd = float(np.hypot(LOAD_SD * delivered_t, LOAD_SD_T))
    half = int(np.ceil(3 * sd / GRID_T))
    taps = np.exp(-0.5 * (np.arange(-half, half + 1) * GRID_T / sd) ** 2)
    return np.asarray(taps / taps.sum())


def _moves(size_t: Array) -> list[tuple[int, float]]:
    """Return the cells by which a load advances at each scale: whole cells and the fraction of the next."""
    cells = size_t / GRID_T
    whole = np.floor(cells)
    return [(int(w), float(c - w)) for w, c in zip(whole, cells, strict=True)]


def _mixed(state: Array) -> Array:
    """Return the state after a change of scale to its neighbours; the operator is symmetric."""
    out = (1 - SCALE_MOVES) * state
    out[1:] += SCALE_MOVES / 2 * state[:-1]
    out[:-1] += SCALE_MOVES / 2 * state[1:]
    out[0] += SCALE_MOVES / 2 * state[0]
    out[-1] += SCALE_MOVES / 2 * state[-1]
    return np.asarray(out)


def departure_times(stream: Stream, lifted_t: Array) -> Array:
    """Return the departure time of a load that ends at each lifted mass, minutes since 1970 by the machine's clock.

    Without emptyings the load leaves half a tank later, on average.

    Args:
        stream: mass lifted by the machine.
        lifted_t: cumulative lifted mass at which each load ends, t, any shape.

    Returns:
        Times in the shape of `lifted_t`.
    """
    edges = np.cumsum(stream.batch_t)
    reach = lifted_t if stream.has_signal else lifted_t + stream.tank_t / 2
    index = np.searchsorted(edges, reach - 1e-6)
    return np.asarray(stream.left_min[np.minimum(index, edges.size - 1)])
