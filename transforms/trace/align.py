"""First in, first out: which part of which batch is in which load, from cumulative masses."""

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def overlaps(batch_t: Array, load_edges_t: Array) -> tuple[NDArray[np.int64], NDArray[np.int64], Array]:
    """Cut a queue of batches at the loads' edges.

    Args:
        batch_t: mass of each batch in order, t, shape (k,).
        load_edges_t: cumulative mass at which each load begins and the last one ends, t, shape (n + 1,), rising; a
            part of an edge below 0 or above the sum of batches meets no batch.

    Returns:
        (load index, batch index, mass taken), one entry per load and batch that meet.
    """
    edges = np.concatenate([[0.0], np.cumsum(batch_t)])
    cuts = np.unique(np.concatenate([edges, load_edges_t]))
    middle, width = (cuts[1:] + cuts[:-1]) / 2, np.diff(cuts)
    batch = np.searchsorted(edges, middle, side="right") - 1
    load = np.searchsorted(load_edges_t, middle, side="right") - 1
    inside = (batch >= 0) & (batch < batch_t.size) & (load >= 0) & (load < load_edges_t.size - 1) & (width > 1e-9)
    return load[inside], batch[inside], width[inside]


def left_when(batch_t: Array, left_at: NDArray[np.int64], mass_t: Array) -> NDArray[np.int64]:
    """Return when each cumulative mass had left the machine, UTC microseconds."""
    index = np.searchsorted(np.cumsum(batch_t), mass_t - 1e-6)
    return left_at[np.minimum(index, batch_t.size - 1)]
