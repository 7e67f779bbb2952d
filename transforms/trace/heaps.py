"""Loads from a heap at the edge of a field, taken in the order in which the heap was built or in the reverse.

Tankfuls are tipped one beside the other, and a loader works from one end. Which end is rarely written down: the order
follows from tickets of the heap that name a machine, if several machines built it one after the other. If it stays
unknown, both orders are as likely. METHODS.md section 2.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from transforms.trace.mass_streams import Stretch

Array = NDArray[np.float64]

EVEN = 0.4
"""Prior probability that a heap is so mixed that its order does not matter (common practice, no source)."""
MIXED_T = 9.0
"""Standard deviation of the place of beets in the heap, by tipping and loading, t (common practice, no source)."""
COMPLETE = 1.25
"""If the loads of a heap weigh as much as the heap within this factor, they are all of it and are scaled to it."""
WRONG_MACHINE = 0.05
"""Smallest part of a load that is expected from the machine that its ticket names."""
RIGHT = 0.7
"""True over expected overlap (measured on invented heaps of two generators, seeds 601 to 604)."""
KNOWN_ORDER = 0.8
"""An order at least as likely as this is known."""


@dataclass(frozen=True)
class Heap:
    """Batches of a heap in the order in which they were tipped.

    Attributes:
        stretch, stream, batch: indices of each batch, shape (b,).
        tipped_min: time of each, minutes since 1970, shape (b,).
        mass_t: mass of each that was not hauled in time, lifted t, shape (b,).
    """

    stretch: NDArray[np.int64]
    stream: NDArray[np.int64]
    batch: NDArray[np.int64]
    tipped_min: Array
    mass_t: Array


@dataclass(frozen=True)
class HeapLoads:
    """Contents of the loads of a heap.

    Attributes:
        share: expected fraction of each load from each batch, shape (n, b); rows of loads that found nothing are 0.
        sure: expected fraction of each load's mass that is traced correctly, shape (n,).
        order_known: True if the order of loading is known.
    """

    share: Array
    sure: Array
    order_known: bool


def build_heap(stretches: list[Stretch], left_part: Array) -> Heap:
    """Return the heap of a field.

    Args:
        stretches: its stretches of work.
        left_part: fraction of each stretch that was not hauled in time, shape (k,); 0 if nothing lay there.
    """
    rows = [
        (
            np.full(s.batch_t.size, k),
            np.full(s.batch_t.size, m),
            np.arange(s.batch_t.size),
            s.left_min,
            s.batch_t * part,
        )
        for k, (stretch, part) in enumerate(zip(stretches, left_part, strict=True))
        if part > 0
        for m, s in enumerate(stretch.streams)
    ]
    if not rows:
        none = np.zeros(0, dtype=np.int64)
        return Heap(none, none, none, np.zeros(0), np.zeros(0))
    columns = [np.concatenate(c) for c in zip(*rows, strict=True)]
    order = np.argsort(columns[3], kind="stable")
    stretch, stream, batch, tipped, mass = (c[order] for c in columns)
    return Heap(stretch, stream, batch, tipped, mass)


def heap_contents(
    heap: Heap, owner: NDArray[np.int64], left_min: Array, size_t: Array, named: NDArray[np.int64]
) -> HeapLoads:
    """Return the contents of the loads of a heap, in order of loading.

    Args:
        heap: the heap.
        owner: machine of each batch, shape (b,).
        left_min: time at which each load left, minutes since 1970, ascending, shape (n,).
        size_t: lifted mass of each load, t, shape (n,).
        named: machine that each ticket names, -1 if none, shape (n,).
    """
    if not heap.mass_t.size:
        return HeapLoads(np.zeros((left_min.size, 0)), np.zeros(left_min.size), order_known=False)
    ratio = float(heap.mass_t.sum() / size_t.sum())
    size_t = size_t * ratio if 1 / COMPLETE < ratio < COMPLETE else size_t
    tipped = heap.tipped_min[None, :] < left_min[:, None]
    even = _part_of(tipped * heap.mass_t[None, :])
    ways = [even, *(_mixed(heap, tipped, _taken(heap, tipped, size_t, newest=newest)) for newest in (False, True))]
    chance = np.array([EVEN, (1 - EVEN) / 2, (1 - EVEN) / 2])
    known = np.flatnonzero(named >= 0)
    if known.size:
        own = owner[None, :] == named[known, None]
        fits = [np.log(np.maximum((way[known] * own).sum(axis=1), WRONG_MACHINE)).sum() for way in ways]
        chance = chance * np.exp(np.array(fits) - max(fits))
        chance /= chance.sum()
    share = sum(c * way for c, way in zip(chance, ways, strict=True))
    sure = RIGHT * sum(c * np.minimum(way, share).sum(axis=1) for c, way in zip(chance, ways, strict=True))
    return HeapLoads(np.asarray(share), np.asarray(sure), bool(chance.max() >= KNOWN_ORDER))


def _part_of(mass: Array) -> Array:
    total = mass.sum(axis=1, keepdims=True)
    return np.asarray(np.divide(mass, total, out=np.zeros_like(mass), where=total > 0))


def _taken(heap: Heap, tipped: NDArray[np.bool_], size_t: Array, *, newest: bool) -> Array:
    """Return the mass that each load takes from each batch, from the oldest or the newest end, shape (n, b)."""
    left = heap.mass_t.copy()
    out = np.zeros(tipped.shape)
    for i, size in enumerate(size_t):
        there = np.where(tipped[i], left, 0.0)
        before = np.cumsum(there[::-1])[::-1] - there if newest else np.cumsum(there) - there
        out[i] = np.clip(size - before, 0.0, there)
        left -= out[i]
    return out


def _mixed(heap: Heap, tipped: NDArray[np.bool_], taken: Array) -> Array:
    """Return the fractions of loads after beets of neighbouring places were mixed, shape (n, b)."""
    place = np.cumsum(heap.mass_t) - heap.mass_t / 2
    near = np.exp(-0.5 * ((place[:, None] - place[None, :]) / MIXED_T) ** 2) * heap.mass_t[None, :]
    near /= near.sum(axis=1, keepdims=True)
    return _part_of((taken @ near) * tipped)
