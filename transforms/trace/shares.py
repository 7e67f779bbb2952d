"""From where loads may end in a stream to how much of each batch is in each load, and how surely."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from transforms.trace.association import Association
from transforms.trace.mass_streams import Stream, Stretch

Array = NDArray[np.float64]
SMALLEST_SHARE = 0.002
"""What is less of a load than this is laid on the rest."""


@dataclass(frozen=True)
class LoadShares:
    """What one load took.

    Attributes:
        stream, batch: index of each batch it may have taken from.
        share: the part of the load that came from it; what is missing to 1 is not in any log.
        share_sd: standard deviation of that part over all the load may have taken.
        sure: expected part of the load's mass that is where it is said to be.
    """

    stream: NDArray[np.int64]
    batch: NDArray[np.int64]
    share: Array
    share_sd: Array
    sure: float


def _pieces(stream: Stream, end_t: Array, size_t: Array) -> tuple[int, Array]:
    """Parts of a load from each batch at each end it may have: (first batch, parts of shape (ends, batches))."""
    edges = np.concatenate([[0.0], np.cumsum(stream.batch_t)])
    begin_t = end_t - size_t
    reach = 0.0 if stream.has_signal else 0.71 * stream.tank_t
    first = int(np.clip(np.searchsorted(edges, begin_t.min() - reach, side="right") - 1, 0, stream.batch_t.size - 1))
    last = int(np.clip(np.searchsorted(edges, end_t.max() + reach, side="left"), first + 1, stream.batch_t.size))
    low, high = edges[first:last], edges[first + 1 : last + 1]
    if stream.has_signal:
        met = np.minimum(end_t[:, None], high) - np.maximum(begin_t[:, None], low)
        return first, np.clip(met, 0, None) / size_t[:, None]
    return first, _stirred(low, high, begin_t, end_t, stream.tank_t) / size_t[:, None]


def _stirred(low: Array, high: Array, begin_t: Array, end_t: Array, tank_t: float) -> Array:
    """Mass of each bin in a load where the tankfuls are not known.

    A bin is stirred into a tankful that began anywhere before it: its mass comes out spread about its own place, with
    the variance of a ramp sqrt(2) tanks wide.
    """
    width = 2**0.5 * tank_t

    def ramp(x: Array, edge: Array) -> Array:
        u = np.clip((x[None, :] - edge[:, None]) / width + 0.5, 0, None)
        return np.asarray(width * np.where(u < 1, u**2 / 2, u - 0.5))

    return (ramp(high, begin_t) - ramp(low, begin_t)) - (ramp(high, end_t) - ramp(low, end_t))


def load_shares(stretch: Stretch, shared: Association, i: int) -> LoadShares:
    """Return what load i took: the mean over all it may have taken, and the overlap of that with each of them."""
    streams, batches, shares, spreads, cases = [], [], [], [], []
    for m, stream in enumerate(stretch.streams):
        belief, place = float(shared.belief[i, m]), shared.placed.get((i, m))
        if place is None or not place.end_t.size or belief < SMALLEST_SHARE:
            continue
        first, parts = _pieces(stream, place.end_t, place.size_t)
        mean = belief * (place.chance @ parts)
        kept = mean >= SMALLEST_SHARE
        lost = mean[~kept].sum()
        if not kept.any():
            continue
        mean = mean[kept] * (1 + lost / mean[kept].sum())
        square = belief * (place.chance @ parts[:, kept] ** 2)
        spreads.append(np.sqrt(np.maximum(square - mean**2, 0.0)))
        batches.append(first + np.flatnonzero(kept))
        streams.append(np.full(mean.size, m))
        shares.append(mean)
        cases.append((belief, place.chance, parts[:, kept], mean))
    if not shares:
        nothing = np.zeros(0, dtype=np.int64)
        return LoadShares(nothing, nothing, np.zeros(0), np.zeros(0), 0.0)
    sure = sum(b * float(chance @ np.minimum(parts, mean).sum(axis=1)) for b, chance, parts, mean in cases)
    return LoadShares(
        np.concatenate(streams), np.concatenate(batches), np.concatenate(shares), np.concatenate(spreads), sure
    )
