"""Steps of a logger's clock: it jumps while the machine goes on along the same row as if nothing had happened."""

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.telemetry.sensor_faults import FAULT

Array = NDArray[np.float64]
METRES_PER_DEG = 111_320.0
SMALLEST_STEP_S = 120.0
"""A shorter silence is no step worth telling."""
LIFTS_KMH = 2.0
NEAR, ASIDE_M = (0.4, 2.0), 1.0
"""The way ahead from the last record before a step to the first after it, against that of a usual interval, and aside.

A log that was off while the machine went on is found rows away, or as far along as it drove meanwhile.
"""


def _goes_on(records: pl.DataFrame, usual_s: float) -> NDArray[np.bool_]:
    """Whether each record is where the one before it was heading, about a usual interval on, along the same row."""
    lat, lon = (records[c].cast(pl.Float64).fill_null(np.nan).to_numpy() for c in ("lat_deg", "lon_deg"))
    north = np.diff(lat, prepend=np.nan) * METRES_PER_DEG
    east = np.diff(lon, prepend=np.nan) * METRES_PER_DEG * np.cos(np.radians(lat))
    speed = records["ground_speed_kmh"].cast(pl.Float64).fill_null(0.0).to_numpy()
    slower = np.minimum(speed, np.append(0.0, speed[:-1]))
    one = slower / 3.6 * usual_s
    with np.errstate(invalid="ignore", divide="ignore"):
        before_n, before_e = np.append(np.nan, north[:-1]), np.append(np.nan, east[:-1])
        before = np.hypot(before_n, before_e)
        ahead = (north * before_n + east * before_e) / before
        aside = np.abs(north * before_e - east * before_n) / before
        return np.asarray((slower > LIFTS_KMH) & (ahead > NEAR[0] * one) & (ahead < NEAR[1] * one) & (aside < ASIDE_M))


def _steps_s(records: pl.DataFrame) -> Array:
    """Seconds by which the clock jumps at each record, 0 where it does not; records in the order of their file."""
    between = np.diff(records["logged_at"].dt.timestamp("us").to_numpy()) / 1e6
    usual = float(np.median(between[between > 0])) if (between > 0).any() else 0.0
    jumps = np.append(False, np.abs(between - usual) > SMALLEST_STEP_S) & _goes_on(records, usual)
    return np.where(jumps, np.append(0.0, between - usual), 0.0)


def on_one_clock(records: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Take the steps out of a machine-day's times.

    Args:
        records: one machine-day in the order of its files, with `logged_at, lat_deg, lon_deg, ground_speed_kmh`.

    Returns:
        (records with `logged_at` as if the clock had gone on from the day's beginning, the steps found as rows of
        `sensor_fault`, `size` in minutes).
    """
    if records.height < 3 or not {"lat_deg", "lon_deg", "ground_speed_kmh"} <= set(records.columns):
        return records, pl.DataFrame(schema=FAULT)
    steps = _steps_s(records)
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
