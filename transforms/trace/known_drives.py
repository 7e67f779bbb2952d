"""Drives from the departure on a ticket to its weighing: they show a site's lag without any mass curve."""

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.trace.day_clocks import USUAL_LEAVE_MIN
from transforms.trace.field_work import to_minutes

Array = NDArray[np.float64]
MIN_DRIVES = 3


def known_lags(loads: pl.DataFrame) -> Array:
    """Return the lag of each load by the known drives to its site, minutes, shape (n,); NaN if there are too few.

    It is the median drive plus the usual time from the emptying of the tank to the departure.

    Args:
        loads: n loads of a stretch of work with `site_id, weighed_at, left_field_at`.
    """
    drive_min = to_minutes(loads, "weighed_at") - to_minutes(loads, "left_field_at")
    sites = loads["site_id"].to_numpy()
    out = np.full(loads.height, np.nan)
    for site in np.unique(sites):
        own = drive_min[(sites == site) & np.isfinite(drive_min)]
        if own.size >= MIN_DRIVES:
            out[sites == site] = np.median(own) + USUAL_LEAVE_MIN
    return out
