"""Hidden Markov model of the ends of loads in one machine's mass stream, along its cumulative mass.

The hidden state is the mass hauled from the stream when a load is full, on a grid in tonnes, for several ratios of
weighed to lifted mass. Each load advances it by its own delivered mass; occasionally mass leaves without a ticket. The
observation is the departure time of the load, with the standard deviation of the lag. Forward and backward sums give
the distribution of the end of every load, conditional on all other loads. METHODS.md section 2.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from transforms.trace.load_steps import GRID_T, UNTICKETED_T, LoadSteps
from transforms.trace.mass_streams import Stream

Array = NDArray[np.float64]

SCALE_STEP, SCALE_REACH = 0.035, 3
"""Log step of the ratio of weighed to lifted mass, and steps searched beyond the stretch's own and the usual ratio."""
SCALE_SD = 0.10
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

    def trimmed(self) -> "_States":
        """Return the weights without negligible states at either end, scaled to a maximum of 1."""
        best = self.weight.max(axis=0)
        largest = float(best.max())
        kept = np.flatnonzero(best > NEGLIGIBLE * largest)
        return _States(self.low + int(kept[0]), self.weight[:, kept[0] : kept[-1] + 1] / largest)


class Chain:
    """Chain of the loads that may have been filled from one machine's stream."""

    weights: Array | None = None
    """Further evidence on the end of each load, by cell, shape (n, cells); set it before loads are placed."""

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
        self.steps = LoadSteps(loads.delivered_t, self.scale, self.cells)
        self.tail = self.steps.decay ** np.arange(1, TAIL_CELLS + 1)

    @cached_property
    def seen(self) -> Array:
        """Density of the departure time of each load at each cell, times further evidence on its end, (n, cells)."""
        sd = self.loads.sd_min[:, None]
        residual = (self.loads.left_min[:, None] - self.full_min) / sd
        density = np.asarray(
            OUTLIER_PROBABILITY / OUTLIER_LAG_MIN
            + (1 - OUTLIER_PROBABILITY) * np.exp(-0.5 * np.minimum(residual**2, 60.0)) / (sd * 2.5066)
        )
        return density if self.weights is None else density * self.weights

    def _start(self) -> _States:
        """Return the prior of the states before the first load."""
        width = min(TAIL_CELLS * 2, self.cells)
        begin = np.zeros((self.scale.size, width))
        begin[:, 0] = 0.98
        begin += 0.02 * np.exp(-np.arange(width) * GRID_T / UNTICKETED_T) * GRID_T / UNTICKETED_T
        return _States(0, begin * self.prior[:, None])

    def _end(self, low: int, high: int) -> Array:
        """Return the weights of the states after the last load, by the mass left behind."""
        left = self.left_over[low:high]
        near = np.exp(-0.5 * (left / REST_SD_T) ** 2) / (REST_SD_T * 2.5066)
        tail = np.exp(-np.abs(left) / REST_TAIL_T) / REST_TAIL_T + NEGLIGIBLE**2
        return np.broadcast_to((1 - REST_TAIL) * near + REST_TAIL * tail, (self.scale.size, high - low))

    def _filled(self, states: _States, i: int) -> _States:
        """Return the weights of the ends of load i, filled from the given states, without a negligible tail.

        Beyond the mass of the load, the states fall by the same ratio from cell to cell, so that the tail needs no
        step.
        """
        low, limit = states.low, self.cells - states.low
        core = states.weight.shape[1] + int(self.steps.whole[i, 0] + self.steps.half[i]) + 2
        width = min(core + TAIL_CELLS - 1, limit)
        seen = self.seen[i, low : low + width]
        if width == limit:
            return _States(low, self.steps.forward(states.weight, i, width, limit) * seen)
        moved = self.steps.forward(states.weight, i, core, limit)
        found, tail = moved * seen[:core], self.tail[: width - core] * seen[core:]
        kept = np.flatnonzero(float(moved[:, -1].max()) * tail > NEGLIGIBLE * float(found.max()))
        if kept.size:
            found = np.hstack([found, moved[:, -1:] * tail[: kept[-1] + 1]])
        return _States(low, found)

    def place(self, own_weight: Array, other_weight: Array) -> "LoadEnds":
        """Return the ends of every load and the odds of its belonging to this stream.

        Args:
            own_weight: weight of "taken from this stream" given by the messages of the other streams, shape (n,).
            other_weight: weight of "not from this stream", shape (n,).
        """
        own, other = own_weight.tolist(), other_weight.tolist()
        before: list[_States] = [self._start()]
        filled: list[Array] = []
        for i, (mine, others) in enumerate(zip(own, other, strict=True)):
            states = before[i]
            filled.append(self._filled(states, i).weight)
            weight = mine * filled[i]
            weight[:, : states.weight.shape[1]] += others * states.weight
            before.append(_States(states.low, weight).trimmed())
        low, later = before[-1].low, self._end(before[-1].low, before[-1].high)
        taken: list[_States] = []
        odds = np.zeros(len(own))
        for i in range(len(own) - 1, -1, -1):
            current, width = before[i], later.shape[1]
            ends = filled[i][:, low - current.low : low - current.low + width] * later
            taken.append(_States(low, ends))
            unfilled = later[:, : max(current.high - low, 0)]
            shared = slice(low - current.low, low - current.low + unfilled.shape[1])
            odds[i] = ends.sum() / max(float((current.weight[:, shared] * unfilled).sum()), 1e-300)
            observed = self.seen[i, low : low + width] * later
            weight = self.steps.backward(observed, i, low - current.low, current.weight.shape[1])
            weight *= own[i]
            weight[:, shared] += other[i] * unfilled
            low, later = current.low, weight / max(float(weight.max()), 1e-300)
        return LoadEnds(self, odds, own_weight * odds / (own_weight * odds + other_weight), taken[::-1])


@dataclass(frozen=True)
class LoadEnds:
    """Ends of the loads of a chain, given the messages of the other streams.

    Attributes:
        chain: the chain.
        odds: the chain's own odds that each load was taken from this stream, shape (n,).
        taken: probability of each load that it was taken from this stream, shape (n,).
        weights: weights of the ends of each load.
    """

    chain: Chain
    odds: Array
    taken: Array
    weights: list[_States]

    def placements(self) -> list[Placement]:
        """Return the possible ends of every load."""
        return [self._placement(i, float(taken)) for i, taken in enumerate(self.taken)]

    def _placement(self, i: int, taken: float) -> Placement:
        low, weight = self.weights[i].low, self.weights[i].weight
        kept = weight > LIKELY * weight.max()
        scale, cell = np.nonzero(kept)
        chance = weight[kept]
        chance /= max(float(chance.sum()), 1e-300)
        size_t = self.chain.loads.delivered_t[i] / self.chain.scale[scale]
        return Placement(taken, self.chain.at[cell + low], size_t, chance)


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
