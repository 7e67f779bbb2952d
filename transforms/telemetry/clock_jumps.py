"""Detection and removal of clock jumps of a logger, recognised by a machine that continues along the same row."""

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.geo import METRES_PER_DEG
from transforms.telemetry.sensor_faults import FAULT

Array = NDArray[np.float64]
SMALLEST_STEP_S = 120.0
"""Shorter jumps are not reported."""
LIFTS_KMH = 2.0
NEAR, ASIDE_M = (0.4, 2.0), 1.0
"""Limits of a clock jump: advance along the row relative to that of a usual interval, and lateral offset in metres.

If the logger was off instead, the machine reappears in another row, or further ahead by the distance driven meanwhile.
"""


def _continues_row(records: pl.DataFrame, usual_s: float) -> NDArray[np.bool_]:
    """Return True for records about one usual interval ahead of the previous record, along the same row."""
    lat, lon = (records[c].cast(pl.Float64).fill_null(np.nan).to_numpy() for c in ("lat_deg", "lon_deg"))
    north = np.diff(lat, prepend=np.nan) * METRES_PER_DEG
    east = np.diff(lon, prepend=np.nan) * METRES_PER_DEG * np.cos(np.radians(lat))
    speed = records["ground_speed_kmh"].cast(pl.Float64).fill_null(0.0).to_numpy()
    min_speed = np.minimum(speed, np.append(0.0, speed[:-1]))
    usual_m = min_speed / 3.6 * usual_s
    with np.errstate(invalid="ignore", divide="ignore"):
        before_n, before_e = np.append(np.nan, north[:-1]), np.append(np.nan, east[:-1])
        before = np.hypot(before_n, before_e)
        ahead = (north * before_n + east * before_e) / before
        aside = np.abs(north * before_e - east * before_n) / before
        return np.asarray(
            (min_speed > LIFTS_KMH) & (ahead > NEAR[0] * usual_m) & (ahead < NEAR[1] * usual_m) & (aside < ASIDE_M)
        )


def _jumps_s(records: pl.DataFrame) -> Array:
    """Return the seconds by which the clock jumps at each record, else 0; records are in file order."""
    between = np.diff(records["logged_at"].dt.timestamp("us").to_numpy()) / 1e6
    usual = float(np.median(between[between > 0])) if (between > 0).any() else 0.0
    jumps = np.append(False, np.abs(between - usual) > SMALLEST_STEP_S) & _continues_row(records, usual)
    return np.where(jumps, np.append(0.0, between - usual), 0.0)


def remove_clock_jumps(records: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Remove clock jumps from the times of a machine-day.

    Args:
        records: one machine-day in file order, with `logged_at, lat_deg, lon_deg, ground_speed_kmh`.

    Returns:
        (records with `logged_at` on the clock of the start of the day, the jumps as rows of `sensor_fault` with `size`
        in minutes).
    """
    if records.height < 3 or not {"lat_deg", "lon_deg", "ground_speed_kmh"} <= set(records.columns):
        return records, pl.DataFrame(schema=FAULT)
    steps = _jumps_s(records)
    if not steps.any():
        return records, pl.DataFrame(schema=FAULT)
    ahead = pl.lit(pl.Series("ahead_us", np.round(np.cumsum(steps) * 1e6).astype(np.int64)))
    at = records["logged_at"]
    rows = [
        (records["machine_id"][0], "clock", "clock_step", at[int(i)], at[-1], records.height - int(i), steps[i] / 60)
        for i in np.flatnonzero(steps)
    ]
    moved = records.with_columns((pl.col("logged_at") - pl.duration(microseconds=ahead)).alias("logged_at"))
    return moved, pl.DataFrame(rows, schema=FAULT, orient="row")
