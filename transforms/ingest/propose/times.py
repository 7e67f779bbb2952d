"""Detection of the time format of a file: order of day and month, padding, and time zone."""

from dataclasses import dataclass

import polars as pl

DATES = (
    "%Y-%m-%d",
    "%d.%m.%Y",
    "%d/%m/%Y",
    "%m/%d/%Y",
    "%d-%m-%Y",
    "%Y/%m/%d",
    "%Y%m%d",
    "%d.%m.%y",
    "%m/%d/%y",
    "%d/%m/%y",
)
CLOCKS = ("%H:%M:%S", "%H:%M", "%H:%M:%S%.f", "%I:%M:%S %p", "%I:%M %p", "%H%M%S")
JOINTS = (" ", "T")
ZONES = ("Z", "%z", "%:z")
MAX_INVALID_SHARE = 0.05
"""Maximum share of unreadable times for a format to fit."""


@dataclass(frozen=True)
class TimeForm:
    """Time format that fits the samples.

    Attributes:
        format: strptime format, as used in a mapping.
        utc: True if the format includes the time zone.
        rivals: other formats that fit the samples but give different times.
    """

    format: str
    utc: bool
    rivals: tuple[str, ...]


def _fits(samples: pl.Series, form: str) -> pl.Series | None:
    """Return the samples read in a format; None if it does not fit."""
    try:
        read = samples.str.to_datetime(form, strict=False, time_unit="us", ambiguous="earliest")
    except pl.exceptions.PolarsError:
        return None
    if read.null_count() > MAX_INVALID_SHARE * len(samples):
        return None
    is_plausible = bool(read.dt.year().is_between(1990, 2100).all())
    return read.dt.replace_time_zone(None) if is_plausible else None


def detect_time_format(cells: list[str]) -> TimeForm | None:
    """Return the format that fits the samples, except for a few unreadable ones; None if no format fits."""
    samples = pl.Series([c for c in cells if c], dtype=pl.String)
    if not len(samples):
        return None
    with_clock = [f"{d}{j}{c}" for d in DATES for j in JOINTS for c in CLOCKS]
    zoned = [f + z for f in with_clock for z in ZONES]
    fitting: list[tuple[str, pl.Series]] = []
    for form in [*zoned, *with_clock, *DATES]:
        read = _fits(samples, form)
        if read is not None:
            fitting.append((form, read))
    if not fitting:
        return None
    best, read = fitting[0]
    rivals = tuple(f for f, r in fitting[1:] if not r.equals(read) and len(f) >= len(best) - 2)
    return TimeForm(best, best.endswith(ZONES), rivals)
