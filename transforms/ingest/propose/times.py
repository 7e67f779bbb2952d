"""Which form a file's times are in: day first or month first, padded or not, with a zone or without."""

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
ODD_SHARE = 0.05
"""So many of a file's times may be broken, and its form still be known."""


@dataclass(frozen=True)
class TimeForm:
    """A form that fits every sample.

    Attributes:
        format: strptime format, as a mapping takes it.
        utc: whether the form itself says the zone.
        rivals: other forms that fit every sample but mean other days.
    """

    format: str
    utc: bool
    rivals: tuple[str, ...]


def _fits(samples: pl.Series, form: str) -> pl.Series | None:
    try:
        read = samples.str.to_datetime(form, strict=False, time_unit="us", ambiguous="earliest")
    except pl.exceptions.PolarsError:
        return None
    if read.null_count() > ODD_SHARE * len(samples):
        return None
    years = read.dt.year()
    plausible = bool(years.min() >= 1990) and bool(years.max() <= 2100)  # type: ignore[operator]
    return read.dt.replace_time_zone(None) if plausible else None


def time_form(cells: list[str]) -> TimeForm | None:
    """Return the form that fits the samples, but for a few broken ones; None where none does."""
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
