"""Steps of the load end chain: the change of its states over each load, and the transpose of that change.

A step adds mass without a ticket, the load's own mass and its deviation, and changes the scale. METHODS.md section 2.
"""

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

GRID_T = 1.0
LOAD_SD, LOAD_SD_T = 0.03, 0.3
"""Standard deviation of lifted mass over one load: as a fraction of it, and in tonnes."""
UNTICKETED_PROBABILITY, UNTICKETED_T = 0.01, 27.0
"""Probability that mass without a ticket leaves before a load, and the mean of that mass, t."""
SCALE_MOVES = 0.10
"""Probability that the scale changes by one step between two loads: dirt and yield change within a day."""
LARGEST_EXPONENT = 600.0
"""Bound of the exponents of the decay, far beyond the mass that one machine lifts in a stretch of work."""
BYTES = 8


class LoadSteps:
    """Steps of the n loads of one chain, on a grid of cells by S scales.

    Attributes:
        whole: cells by which each load advances at each scale, rounded down, shape (n, S); the first is the largest.
        half: half the width of the deviation of each load, cells, shape (n,).
        decay: ratio of the density of mass without a ticket from one cell to the next.
    """

    def __init__(self, delivered_t: Array, scale: Array, cells: int) -> None:
        """Set up the steps.

        Args:
            delivered_t: delivered mass of each load, t, shape (n,).
            scale: ratios of weighed to lifted mass, ascending, shape (S,).
            cells: number of cells.
        """
        advance = delivered_t[:, None] / scale / GRID_T
        self.whole: Ints = np.floor(advance).astype(np.int64)
        self._set_moves(advance - self.whole)
        sd = np.hypot(LOAD_SD * delivered_t, LOAD_SD_T)
        self.half: Ints = np.ceil(3 * sd / GRID_T).astype(np.int64)
        self._reach = int(self.half.max(initial=0))
        off = np.arange(-self._reach, self._reach + 1)
        taps = np.exp(-0.5 * (off * GRID_T / sd[:, None]) ** 2) * (np.abs(off) <= self.half[:, None])
        self._taps = taps / taps.sum(axis=1, keepdims=True)
        self._mixing = _scale_moves(scale.size)
        self.decay = float(np.exp(-GRID_T / UNTICKETED_T))
        self._fall = np.exp(-np.minimum(np.arange(cells + 1) * GRID_T / UNTICKETED_T, LARGEST_EXPONENT))
        self._rise = 1 / self._fall
        # Two buffers whose margins are zero, so that shifted windows need no case distinction.
        self._pad = int(self.whole.max(initial=0)) + self._moves.shape[2] + self._reach + 1
        self._stride = cells + 3 * self._pad
        self._first, self._second = np.zeros((2, scale.size, self._stride))

    def _set_moves(self, part: Array) -> None:
        """Set the moves of each load as a slope, by which the cells of the scales are sheared, and kernels about it."""
        scales = self.whole.shape[1]
        self._slope: Ints = np.round((self.whole[:, 0] - self.whole[:, -1]) / max(scales - 1, 1)).astype(np.int64)
        sheared = self.whole[:, :1] - self._slope[:, None] * np.arange(scales)
        rest = self.whole - sheared
        self._high: Ints = rest.max(axis=1, initial=0)
        width = int((self._high - rest.min(axis=1, initial=0)).max(initial=0)) + 2
        at = self._high[:, None] - rest
        self._moves = np.zeros((*self.whole.shape, width))
        load, row = np.ogrid[: self.whole.shape[0], :scales]
        self._moves[load, row, at] = part
        self._moves[load, row, at + 1] = 1 - part

    def forward(self, weight: Array, i: int, width: int, limit: int) -> Array:
        """Return the weights of cells after load i, shape (S, width); the first cell is that of the given weights.

        Args:
            weight: weights of cells before the load, shape (S, cells).
            i: the load.
            width: number of cells to return.
            limit: number of cells that there are.
        """
        moved_width, known, pad = min(width + self._reach, limit), weight.shape[1], self._pad
        ready, end = self._first, pad + moved_width
        rising = np.add.accumulate(weight * self._rise[:known], axis=1)
        falls = (UNTICKETED_PROBABILITY * (1 - self.decay)) * self._fall
        np.multiply(rising, falls[:known], out=ready[:, pad : pad + known])
        ready[:, pad : pad + known] += (1 - UNTICKETED_PROBABILITY) * weight
        if known < moved_width:
            np.multiply(rising[:, -1:], falls[known:moved_width], out=ready[:, pad + known : end])
        end = max(end, pad + known)
        ready[:, end : end + pad] = 0.0
        begin = pad - int(self.whole[i, 0] + self._high[i]) - 1
        moved = self._second
        moved[:, pad : pad + moved_width] = self._sheared(ready, begin, int(self._slope[i]), moved_width, i)
        moved[:, pad + moved_width : 2 * pad + moved_width] = 0.0
        return np.asarray(self._mixing @ self._smoothed(moved, pad, width, i))

    def backward(self, weight: Array, i: int, first: int, width: int) -> Array:
        """Return the weights of the cells before load i, shape (S, width): the transpose of `forward`.

        Args:
            weight: weights of cells after the load, shape (S, cells); all others are zero.
            i: the load.
            first: cell of the first of these weights, relative to the first cell to return; not negative.
            width: number of cells to return.
        """
        pad, reach, known = self._pad, self._reach, weight.shape[1]
        mixed = self._first
        np.matmul(self._mixing, weight, out=mixed[:, pad : pad + known])
        mixed[:, pad + known : 2 * pad + known] = 0.0
        begin, end = max(first - reach, 0), first + known + reach
        smoothed = self._second
        smoothed[:, pad : pad + begin] = 0.0
        smoothed[:, pad + begin : pad + end] = self._smoothed(mixed, pad + begin - first, end - begin, i)
        used = max(width, end - int(self.whole[i].min()))
        shift = int(self.whole[i, 0] + self._high[i]) + 2 - self._moves.shape[2]
        smoothed[:, pad + end : 2 * pad + used + self._moves.shape[2]] = 0.0
        moved = self._sheared(smoothed, pad + shift, -int(self._slope[i]), used, i, transposed=True)
        falling = np.add.accumulate((moved * self._fall[:used])[:, ::-1], axis=1)[:, ::-1][:, :width]
        skipped = falling * ((UNTICKETED_PROBABILITY * (1 - self.decay)) * self._rise[:width])
        return np.asarray((1 - UNTICKETED_PROBABILITY) * moved[:, :width] + skipped)

    def _sheared(self, cells: Array, begin: int, slope: int, width: int, i: int, *, transposed: bool = False) -> Array:
        """Return the cells of each scale moved by load i, shape (S, width)."""
        kernel = self._moves[i, :, ::-1] if transposed else self._moves[i]
        windows = np.ndarray(
            (cells.shape[0], width, kernel.shape[1]),
            np.float64,
            cells,
            begin * BYTES,
            ((self._stride + slope) * BYTES, BYTES, BYTES),
        )
        return np.asarray(np.matmul(windows, kernel[:, :, None])[:, :, 0])

    def _smoothed(self, cells: Array, begin: int, width: int, i: int) -> Array:
        """Return the cells from `begin` on, smoothed by the deviation of load i, shape (S, width)."""
        windows = np.ndarray(
            (cells.shape[0], width, self._taps.shape[1]),
            np.float64,
            cells,
            (begin - self._reach) * BYTES,
            (self._stride * BYTES, BYTES, BYTES),
        )
        return np.asarray(windows @ self._taps[i])


def _scale_moves(scales: int) -> Array:
    """Return the probabilities of a change of scale to its neighbours, shape (scales, scales); symmetric."""
    out = (1 - SCALE_MOVES) * np.eye(scales) + SCALE_MOVES / 2 * (np.eye(scales, k=1) + np.eye(scales, k=-1))
    out[0, 0] += SCALE_MOVES / 2
    out[-1, -1] += SCALE_MOVES / 2
    return out
