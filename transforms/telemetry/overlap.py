"""Overlap of a machine's passes: ground covered a second time, such as headlands, yields no beet."""

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.geo import METRES_PER_DEG

Array = NDArray[np.float64]
CELL_OF_WIDTH = 0.5
"""Size of a ground cell relative to header width: the same row falls in the same cell, a neighbouring row does not."""
LATER_S = 90.0
"""Ground covered again within this time belongs to the same pass."""
LONGEST_STRIDE_M, MOVES = 60.0, 0.3


def _along(x: Array, pieces: NDArray[np.int64]) -> Array:
    """Return `pieces` points along each segment from one record to the next."""
    start = np.repeat(x[:-1], pieces)
    step = np.repeat(np.diff(x) / np.maximum(pieces, 1), pieces)
    number = np.arange(pieces.sum()) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    return np.asarray(start + step * (number + 0.5))


def new_ground_fraction(records: pl.DataFrame, width_m: float) -> pl.Series:
    """Return the fraction of each record's distance on ground not yet lifted that day, 0 to 1, as `new_ground`.

    Ground counts as new unless known otherwise: a record without a valid position, or not working, has 1.

    Args:
        records: one machine-day ordered by time with `logged_at, dt_s, lat_deg, lon_deg, ground_speed_kmh, working`.
        width_m: width of the header, m.
    """
    out = np.ones(records.height)
    lat, lon = (records[c].cast(pl.Float64).fill_null(np.nan).to_numpy() for c in ("lat_deg", "lon_deg"))
    north, east = lat * METRES_PER_DEG, lon * METRES_PER_DEG * np.cos(np.radians(np.nanmean(lat) if lat.size else 0.0))
    stride = np.hypot(np.diff(north), np.diff(east))
    by_speed = (records["ground_speed_kmh"].fill_null(0.0) / 3.6 * records["dt_s"]).to_numpy()[:-1]
    # A constant position while the machine drives is a position fault, not ground covered again.
    moves = np.isfinite(stride) & (stride < LONGEST_STRIDE_M) & (stride > MOVES * by_speed)
    is_lifting = records["working"].to_numpy()[:-1] & moves
    if not is_lifting.any():
        return pl.Series("new_ground", out)
    cell = CELL_OF_WIDTH * width_m
    pieces = np.ceil(np.where(is_lifting, stride, 0.0) / cell).astype(np.int64)
    segment = np.repeat(np.arange(pieces.size), pieces)
    seconds = records["logged_at"].dt.timestamp("us").to_numpy()[segment] / 1e6
    rows, columns = (np.floor(_along(np.nan_to_num(x), pieces) / cell).astype(np.int64) for x in (north, east))
    key = rows * 4_000_003 + columns
    _, place = np.unique(key, return_inverse=True)
    first = np.full(place.max() + 1, np.inf)
    np.minimum.at(first, place, seconds)
    old = np.bincount(segment, weights=seconds - first[place] > LATER_S, minlength=pieces.size)
    out[:-1] = 1 - old / np.maximum(pieces, 1)
    return pl.Series("new_ground", out)
