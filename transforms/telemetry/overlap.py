"""Ground that a machine goes over a second time with its shares down gives no beet: headlands, and ways gone twice."""

import numpy as np
import polars as pl
from numpy.typing import NDArray

Array = NDArray[np.float64]
METRES_PER_DEG = 111_320.0
CELL_OF_WIDTH = 0.5
"""A cell of ground is so much of the header's width: a neighbouring row is another cell, the same row the same."""
LATER_S = 90.0
"""Ground gone over again within this time is still the same way."""
LONGEST_STRIDE_M, MOVES = 60.0, 0.3


def _along(x: Array, pieces: NDArray[np.int64]) -> Array:
    """Points along each way from one record to the next, `pieces` of them."""
    start = np.repeat(x[:-1], pieces)
    step = np.repeat(np.diff(x) / np.maximum(pieces, 1), pieces)
    number = np.arange(pieces.sum()) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    return np.asarray(start + step * (number + 0.5))


def newly_covered(records: pl.DataFrame, width_m: float) -> pl.Series:
    """Return the part of each record's way that was not lifted before on that day, 0 to 1, as `new_ground`.

    Args:
        records: one machine-day in order of time with `logged_at, dt_s, lat_deg, lon_deg, ground_speed_kmh, working`.
        width_m: width of the header.

    What is not known to be old is new: a record without a believed place, or not at work, has 1.
    """
    out = np.ones(records.height)
    lat, lon = (records[c].cast(pl.Float64).fill_null(np.nan).to_numpy() for c in ("lat_deg", "lon_deg"))
    north, east = lat * METRES_PER_DEG, lon * METRES_PER_DEG * np.cos(np.radians(np.nanmean(lat) if lat.size else 0.0))
    stride = np.hypot(np.diff(north), np.diff(east))
    told = (records["ground_speed_kmh"].fill_null(0.0) / 3.6 * records["dt_s"]).to_numpy()[:-1]
    # A place that stands while the machine goes on is a fault of the place, not ground gone over again.
    moves = np.isfinite(stride) & (stride < LONGEST_STRIDE_M) & (stride > MOVES * told)
    works = records["working"].to_numpy()[:-1] & moves
    if not works.any():
        return pl.Series("new_ground", out)
    cell = CELL_OF_WIDTH * width_m
    pieces = np.ceil(np.where(works, stride, 0.0) / cell).astype(np.int64)
    way = np.repeat(np.arange(pieces.size), pieces)
    seconds = records["logged_at"].dt.timestamp("us").to_numpy()[way] / 1e6
    rows, columns = (np.floor(_along(np.nan_to_num(x), pieces) / cell).astype(np.int64) for x in (north, east))
    key = rows * 4_000_003 + columns
    _, place = np.unique(key, return_inverse=True)
    first = np.full(place.max() + 1, np.inf)
    np.minimum.at(first, place, seconds)
    old = np.bincount(way, weights=seconds - first[place] > LATER_S, minlength=pieces.size)
    out[:-1] = 1 - old / np.maximum(pieces, 1)
    return pl.Series("new_ground", out)
