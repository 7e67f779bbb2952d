"""Expected share of each batch in each load, from the possible ends of the loads in a stream."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from transforms.trace.association import Association
from transforms.trace.mass_streams import Stream, Stretch

Array = NDArray[np.float64]
SMALLEST_SHARE = 0.002
"""Smaller shares of a load are dropped and redistributed over the others."""


@dataclass(frozen=True)
class LoadShares:
    """Batches of which one load consists.

    Attributes:
        stream, batch: index of each batch that the load may contain.
        share: expected fraction of the load from that batch; the remainder to 1 is not in any log.
        share_sd: standard deviation of that fraction over all possible placements of the load.
        sure: expected fraction of the load's mass that is traced correctly.
    """

    stream: NDArray[np.int64]
    batch: NDArray[np.int64]
    share: Array
    share_sd: Array
    sure: float


def _batch_fractions(stream: Stream, end_t: Array, size_t: Array) -> tuple[int, Array]:
    """Return the fractions of a load from each batch for each possible end: (first batch, shape (ends, batches))."""
    edges = np.concatenate([[0.0], np.cumsum(stream.batch_t)])
    begin_t = end_t - size_t
    reach = 0.0 if stream.has_signal else 0.71 * stream.tank_t
    first = int(np.clip(np.searchsorted(edges, begin_t.min() - reach, side="right") - 1, 0, stream.batch_t.size - 1))
    last = int(np.clip(np.searchsorted(edges, end_t.max() + reach, side="left"), first + 1, stream.batch_t.size))
    low, high = edges[first:last], edges[first + 1 : last + 1]
    if stream.has_signal:
        overlap_t = np.minimum(end_t[:, None], high) - np.maximum(begin_t[:, None], low)
        return first, np.clip(overlap_t, 0, None) / size_t[:, None]
    return first, _mixed_mass(low, high, begin_t, end_t, stream.tank_t) / size_t[:, None]


def _mixed_mass(low: Array, high: Array, begin_t: Array, end_t: Array, tank_t: float) -> Array:
    """Return the mass of each bin in a load, t, shape (ends, bins), if the tankfuls are unknown.

    A bin is mixed into a tankful that may have begun anywhere before it. Its mass therefore leaves the machine spread
    around its own position, with the variance of a ramp sqrt(2) tanks wide.
    """
    width = 2**0.5 * tank_t

    def ramp(x: Array, edge: Array) -> Array:
        u = np.clip((x[None, :] - edge[:, None]) / width + 0.5, 0, None)
        return np.asarray(width * np.where(u < 1, u**2 / 2, u - 0.5))

    return (ramp(high, begin_t) - ramp(low, begin_t)) - (ramp(high, end_t) - ramp(low, end_t))


def load_shares(stretch: Stretch, shared: Association, i: int) -> LoadShares:
    """Return the shares of load i: means over its possible placements, with their expected overlap with the truth.

    Args:
        stretch: the stretch of work.
        shared: association of all loads with the streams.
        i: index of the load.
    """
    streams, batches, shares, sds, cases = [], [], [], [], []
    for m, stream in enumerate(stretch.streams):
        belief, place = float(shared.belief[i, m]), shared.placed.get((i, m))
        if place is None or not place.end_t.size or belief < SMALLEST_SHARE:
            continue
        first, parts = _batch_fractions(stream, place.end_t, place.size_t)
        mean = belief * (place.chance @ parts)
        kept = mean >= SMALLEST_SHARE
        dropped = mean[~kept].sum()
        if not kept.any():
            continue
        mean = mean[kept] * (1 + dropped / mean[kept].sum())
        square = belief * (place.chance @ parts[:, kept] ** 2)
        sds.append(np.sqrt(np.maximum(square - mean**2, 0.0)))
        batches.append(first + np.flatnonzero(kept))
        streams.append(np.full(mean.size, m))
        shares.append(mean)
        cases.append((belief, place.chance, parts[:, kept], mean))
    if not shares:
        empty = np.zeros(0, dtype=np.int64)
        return LoadShares(empty, empty, np.zeros(0), np.zeros(0), 0.0)
    sure = sum(b * float(chance @ np.minimum(parts, mean).sum(axis=1)) for b, chance, parts, mean in cases)
    return LoadShares(
        np.concatenate(streams), np.concatenate(batches), np.concatenate(shares), np.concatenate(sds), sure
    )


def expected_overlap(stretch: Stretch, shared: Association, i: int, found: LoadShares) -> float:
    """Return the expected overlap of given shares with the contents of load i, over its possible placements.

    Args:
        stretch: the stretch of work.
        shared: association of all loads with the streams, by which the load is placed.
        i: index of the load.
        found: the shares, such as those by another association.
    """
    total = 0.0
    for m, stream in enumerate(stretch.streams):
        belief, place = float(shared.belief[i, m]), shared.placed.get((i, m))
        own = found.stream == m
        if place is None or not place.end_t.size or belief < SMALLEST_SHARE or not own.any():
            continue
        first, parts = _batch_fractions(stream, place.end_t, place.size_t)
        share = np.zeros(stream.batch_t.size)
        share[found.batch[own]] = found.share[own]
        of_parts = np.minimum(parts, share[first : first + parts.shape[1]])
        total += belief * float(place.chance @ of_parts.sum(axis=1))
    return total
