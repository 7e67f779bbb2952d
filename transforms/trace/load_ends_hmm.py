"""Which part of one machine's stream each load took: a hidden chain along the cumulative mass.

The hidden state is how far the stream has been hauled when a load is full, in tonnes of gross mass, on a grid, for a
few scales between lifted and weighed mass. A load moves it on by its own gross mass; now and then mass goes by
without a ticket. What is seen is when the load left, with the spread of the lag. Forward and backward sums give the
distribution of where every load ends, all other loads considered. METHODS.md section 2.
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
"""Weighed over lifted mass is sought from so many steps below to so many above the stretch's own and the usual."""
SCALE_SD = 0.10
SCALE_MOVES = 0.10
"""Chance that the scale moves one value up or down from a load to the next: dirt and yield change within a day."""
LOAD_SD, LOAD_SD_T = 0.03, 0.3
"""How far lifted mass strays over one load: a share of it, and tonnes."""
UNSEEN, UNSEEN_T = 0.01, 27.0
"""Chance that mass without a ticket goes before a load, and its mean."""
WILD, WILD_MIN = 0.01, 600.0
"""Chance that a lag is anything within so many minutes."""
PHANTOM = 0.01
"""Chance that a ticket belongs to nothing lifted here."""
NEGLIGIBLE = 1e-6
"""States less likely than this against the likeliest are dropped."""
TAIL_CELLS = 110
LIKELY = 5e-3
"""Ends of a load less likely than this against the likeliest are not told."""
NO_LOAD = PHANTOM / WILD_MIN
"""Weight of 'this ticket took nothing here' against the density of when a load left."""
REST_SD_T, REST_TAIL_T, REST_TAIL = 3.0, 20.0, 0.1
"""What stays behind at the end of the work: nearly nothing, or a truck that was never weighed."""


@dataclass(frozen=True)
class Departures:
    """When loads left the field, best first guess, in order of time.

    Attributes:
        left_min: minutes since 1970, shape (n,).
        sd_min: spread of each.
        gross_t: mass of each.
    """

    left_min: Array
    sd_min: Array
    gross_t: Array


@dataclass(frozen=True)
class Placed:
    """Where one load may end in the stream.

    Attributes:
        taken: chance that it took from this stream at all, against what the other messages say.
        end_t: ends it may have, in lifted t of the stream, shape (k,); none where it cannot have been filled here.
        size_t: lifted mass it then took.
        chance: their chances; they sum to 1.
    """

    taken: float
    end_t: Array
    size_t: Array
    chance: Array


@dataclass(frozen=True)
class _States:
    """Weights of the states from cell `low` on, shape (scales, cells); all others are nothing."""

    low: int
    weight: Array

    @property
    def high(self) -> int:
        return self.low + int(self.weight.shape[1])

    def over(self, low: int, high: int) -> "_States":
        """The same over other cells."""
        if low == self.low and high == self.high:
            return self
        out = np.zeros((self.weight.shape[0], max(high - low, 1)))
        first, last = max(low, self.low), min(high, self.high)
        if last > first:
            out[:, first - low : last - low] = self.weight[:, first - self.low : last - self.low]
        return _States(low, out)

    def trimmed(self) -> "_States":
        """Without negligible states at either end, and scaled to a sum of 1."""
        best = self.weight.max(axis=0)
        kept = np.flatnonzero(best > NEGLIGIBLE * best.max())
        inside = self.weight[:, kept[0] : kept[-1] + 1]
        return _States(self.low + int(kept[0]), inside / inside.sum())


class Chain:
    """One machine's stream and the loads that may have been filled from it."""

    def __init__(self, stream: Stream, loads: Departures, closure: float, usual: float, ahead_min: float) -> None:
        """Lay out the grid.

        Args:
            stream: what the machine lifted.
            loads: loads that may be its own, in order of leaving.
            closure: weighed over lifted mass at the middle of the scales.
            usual: the field's own closure, about which scales are thought likely.
            ahead_min: minutes the machine's clock runs ahead.
        """
        self.loads = loads
        other = round(float(np.log(usual / closure)) / SCALE_STEP)
        steps = np.arange(min(other + 1, 0) - SCALE_REACH, max(other - 1, 0) + SCALE_REACH + 1)
        self.scale = closure * np.exp(SCALE_STEP * steps)
        away = (np.log(self.scale / usual) / SCALE_SD) ** 2
        self.prior = np.exp(-0.5 * (away - away.min()))
        self.prior /= self.prior.sum()
        self.cells = int(np.ceil(stream.lifted_t / GRID_T)) + 4
        self.at = np.arange(self.cells, dtype=np.float64) * GRID_T
        self.left_over = (stream.lifted_t - self.at) * closure
        self.full_min = full_when(stream, self.at) - ahead_min
        self.decay = np.exp(-GRID_T / UNSEEN_T)
        self.taps = [_taps(g) for g in loads.gross_t]
        self.moves = [_moves(g / self.scale) for g in loads.gross_t]

    def _seen(self, i: int, states: _States) -> Array:
        """Density of when load i left, at states."""
        sd = self.loads.sd_min[i]
        off = (self.loads.left_min[i] - self.full_min[states.low : states.high]) / sd
        return np.asarray(WILD / WILD_MIN + (1 - WILD) * np.exp(-0.5 * np.minimum(off**2, 60.0)) / (sd * 2.5066))

    def _on(self, states: _States, i: int) -> _States:
        """The states after load i was filled from them."""
        moves, taps = self.moves[i], self.taps[i]
        reach = moves[0][0] + 1 + taps.size // 2 + TAIL_CELLS
        ready = states.over(states.low, min(states.high + reach, self.cells)).weight
        skipped = lfilter([1 - self.decay], [1, -self.decay], ready, axis=1)
        ready = (1 - UNSEEN) * ready + UNSEEN * skipped
        moved, width = np.zeros_like(ready), ready.shape[1]
        for s, (whole, part) in enumerate(moves):
            moved[s, whole:] = (1 - part) * ready[s, : max(width - whole, 0)]
            moved[s, whole + 1 :] += part * ready[s, : max(width - whole - 1, 0)]
        return _States(states.low, _mixed(convolve1d(moved, taps, axis=1, mode="constant")))

    def _back(self, later: _States, i: int, low: int, high: int) -> Array:
        """What the states from low to high expect of those after load i: the transpose of `_on`."""
        moves, taps = self.moves[i], self.taps[i]
        reach = later.over(low, max(high + moves[0][0] + 1 + TAIL_CELLS, later.high))
        spread = convolve1d(_mixed(reach.weight), taps, axis=1, mode="constant")
        moved, width = np.zeros_like(spread), spread.shape[1]
        for s, (whole, part) in enumerate(moves):
            moved[s, : max(width - whole, 0)] = (1 - part) * spread[s, whole:]
            moved[s, : max(width - whole - 1, 0)] += part * spread[s, whole + 1 :]
        skipped = lfilter([1 - self.decay], [1, -self.decay], moved[:, ::-1], axis=1)[:, ::-1]
        return np.asarray((1 - UNSEEN) * moved + UNSEEN * skipped)[:, : high - low]

    def _start(self) -> _States:
        width = min(TAIL_CELLS * 2, self.cells)
        begin = np.zeros((self.scale.size, width))
        begin[:, 0] = 0.98
        begin += 0.02 * np.exp(-np.arange(width) * GRID_T / UNSEEN_T) * GRID_T / UNSEEN_T
        return _States(0, begin * self.prior[:, None])

    def _end(self, low: int, high: int) -> _States:
        left = self.left_over[low:high]
        near = np.exp(-0.5 * (left / REST_SD_T) ** 2) / (REST_SD_T * 2.5066)
        tail = np.exp(-np.abs(left) / REST_TAIL_T) / REST_TAIL_T + NEGLIGIBLE**2
        return _States(low, np.broadcast_to((1 - REST_TAIL) * near + REST_TAIL * tail, (self.scale.size, high - low)))

    def place(self, mine: Array, other: Array) -> tuple[list[Placed], Array]:
        """Place every load.

        Args:
            mine: weight of 'taken from this stream' that the rest of the field says, shape (n,).
            other: weight of 'not from this stream'.

        Returns:
            (where each load ends, the chain's own odds that it was taken from this stream).
        """
        n = self.loads.gross_t.size
        before: list[_States] = [self._start()]
        filled: list[_States] = []
        for i in range(n):
            after = self._on(before[i], i)
            filled.append(_States(after.low, after.weight * self._seen(i, after)))
            unmoved = before[i].over(after.low, after.high).weight
            before.append(_States(after.low, mine[i] * filled[i].weight + other[i] * unmoved).trimmed())
        later = self._end(before[n].low, before[n].high)
        placed: list[Placed] = []
        odds = np.zeros(n)
        for i in range(n - 1, -1, -1):
            taken: Array = filled[i].over(later.low, later.high).weight * later.weight
            at, stays = before[i], later.over(before[i].low, before[i].high)
            odds[i] = taken.sum() / max(float((at.weight * stays.weight).sum()), 1e-300)
            placed.append(self._placed(_States(later.low, taken), i, mine[i] * odds[i], other[i]))
            due = _States(later.low, self._seen(i, later) * later.weight)
            weight: Array = mine[i] * self._back(due, i, at.low, at.high) + other[i] * stays.weight
            later = _States(at.low, weight / max(float(weight.max()), 1e-300))
        return placed[::-1], odds

    def _placed(self, taken: _States, i: int, mine: float, other: float) -> Placed:
        kept = taken.weight > LIKELY * taken.weight.max()
        scale, cell = np.nonzero(kept)
        chance = taken.weight[kept] / max(float(taken.weight[kept].sum()), 1e-300)
        size_t = self.loads.gross_t[i] / self.scale[scale]
        return Placed(mine / (mine + other), self.at[cell + taken.low], size_t, chance)


def _taps(gross_t: float) -> Array:
    """How far lifted mass strays over one load, cell by cell."""
    sd = float(np.hypot(LOAD_SD * gross_t, LOAD_SD_T))
    half = int(np.ceil(3 * sd / GRID_T))
    taps = np.exp(-0.5 * (np.arange(-half, half + 1) * GRID_T / sd) ** 2)
    return np.asarray(taps / taps.sum())


def _moves(size_t: Array) -> list[tuple[int, float]]:
    """Cells that a load moves on at each scale: whole ones, and the part of the next."""
    cells = size_t / GRID_T
    whole = np.floor(cells)
    return [(int(w), float(c - w)) for w, c in zip(whole, cells, strict=True)]


def _mixed(state: Array) -> Array:
    """The scale moves on to its neighbours; its transpose is itself."""
    out = (1 - SCALE_MOVES) * state
    out[1:] += SCALE_MOVES / 2 * state[:-1]
    out[:-1] += SCALE_MOVES / 2 * state[1:]
    out[0] += SCALE_MOVES / 2 * state[0]
    out[-1] += SCALE_MOVES / 2 * state[-1]
    return np.asarray(out)


def full_when(stream: Stream, lifted_t: Array) -> Array:
    """Return when a load that ends at each lifted mass left the machine, minutes since 1970 by the machine's clock.

    Without emptyings that is half a tank later, on the mean.
    """
    edges = np.cumsum(stream.batch_t)
    reach = lifted_t if stream.has_signal else lifted_t + stream.tank_t / 2
    index = np.searchsorted(edges, reach - 1e-6)
    return np.asarray(stream.left_min[np.minimum(index, edges.size - 1)])
