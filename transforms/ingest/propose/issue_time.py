"""Columns that may hold the time at which a forecast was made: a second time that repeats and is not later."""

from collections.abc import Sequence

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.ingest.propose.header import Name
from transforms.ingest.propose.profile import ColumnProfile
from transforms.ingest.propose.times import TimeForm, detect_time_format

SECONDS = {"excel_1900": 86_400.0, "epoch_s": 1.0, "epoch_ms": 0.001}
DAY = 86_400.0
MAX_LEAD = 20 * DAY
"""Hours are forecast for at most this many seconds ahead (common practice, no source)."""
MIN_SHARE = 0.9
"""Least share of the rows that must be in order (common practice, no source)."""
MIN_ROWS = 4


def issue_columns(names: list[Name], profiles: dict[str, ColumnProfile]) -> list[str]:
    """Return the columns whose times repeat in blocks and precede a time of the same row that repeats less.

    The date of the other time alone, as in files with a date and a full time, is not one.

    Args:
        names: parsed names of the columns; those of a date and a time of day have two sources.
        profiles: column of the file -> profile.
    """
    pairs = [n.sources for n in names if len(n.sources) == 2 and profiles[n.sources[1]].is_clock]
    paired = {s for p in pairs for s in p}
    read = {c: s for c, p in profiles.items() if c not in paired and (s := _seconds(p)) is not None}
    for date, clock in pairs:
        cells = [
            f"{a} {b}" if a and b else "" for a, b in zip(profiles[date].cells, profiles[clock].cells, strict=True)
        ]
        form = detect_time_format(cells)
        if form is not None:
            read[date] = _parsed(cells, form)
    return [c for c, own in read.items() if any(_is_issued(own, read[o]) for o in read if o != c)]


def _seconds(profile: ColumnProfile) -> NDArray[np.float64] | None:
    """Return the seconds of each cell, NaN for one without a time; None if the column has no times."""
    if profile.time_form is not None:
        return _parsed(profile.cells, profile.time_form)
    if profile.serial_form is not None:
        return profile.values * SECONDS[profile.serial_form]
    return None


def _parsed(cells: Sequence[str], form: TimeForm) -> NDArray[np.float64]:
    """Return the seconds of cells with times in a format, NaN for the others."""
    read = pl.Series(cells, dtype=pl.String).str.to_datetime(
        form.format, strict=False, time_unit="us", ambiguous="earliest"
    )
    micros = read.dt.replace_time_zone(None).cast(pl.Int64).cast(pl.Float64)
    return np.asarray(micros.fill_null(np.nan).to_numpy(), np.float64) / 1e6


def _is_issued(issued: NDArray[np.float64], hours: NDArray[np.float64]) -> bool:
    """Return True if times may be those at which the hours of the same rows were forecast."""
    both = np.isfinite(issued) & np.isfinite(hours)
    own, at = issued[both], hours[both]
    blocks = len(np.unique(own))
    if len(own) < MIN_ROWS or 2 * blocks > len(own) or blocks >= len(np.unique(at)):
        return False
    ahead = at - own
    if np.mean((ahead >= 0) & (ahead <= MAX_LEAD)) < MIN_SHARE:
        return False
    is_date_of_row = bool(np.all(own == np.floor(at / DAY) * DAY))
    return not (is_date_of_row and blocks > 1)
