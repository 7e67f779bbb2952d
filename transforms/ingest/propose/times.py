"""Detection of the time format of a file: order of day and month, padding, and time zone."""

from dataclasses import dataclass

import polars as pl

DATES = (
    "%Y-%m-%d",
    "%d.%m.%Y",
    "%d/%m/%Y",
    "%m/%d/%Y",
    "%d-%m-%Y",
    "%m-%d-%Y",
    "%Y/%m/%d",
    "%Y.%m.%d",
    "%Y%m%d",
    "%d.%m.%y",
    "%m/%d/%y",
    "%d/%m/%y",
    "%d-%m-%y",
    "%d-%b-%Y",
    "%d %b %Y",
    "%d-%b-%y",
)
CLOCKS = ("%H:%M:%S", "%H:%M", "%H:%M:%S%.f", "%I:%M:%S %p", "%I:%M %p", "%H%M%S", "%H.%M", "%Hh%M", "%H:%M Uhr")
JOINTS = (" ", "T", ", ")
ZONES = ("Z", "%z", "%:z")
MAX_INVALID_SHARE = 0.05
"""Maximum share of unreadable times for a format to fit."""
FIRST_CELLS = 8
"""Cells that exclude most formats before all cells are read."""


@dataclass(frozen=True)
class TimeForm:
    """Time format that fits the samples.

    Attributes:
        format: strptime format, as used in a mapping.
        utc: True if the format includes the time zone.
        rivals: other formats that fit the samples but give different times.
        read: the samples as times without a zone.
    """

    format: str
    utc: bool
    rivals: tuple[str, ...]
    read: pl.Series

    @property
    def has_clock(self) -> bool:
        """True if the times have a time of day."""
        return "%H" in self.format or "%I" in self.format


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
    first = samples.head(FIRST_CELLS)
    for form in _possible(str(samples[0]), [*zoned, *with_clock, *DATES]):
        if _fits(first, form) is None and len(samples) > FIRST_CELLS and first.n_unique() > 1:
            continue
        read = _fits(samples, form)
        if read is not None:
            fitting.append((form, read))
    if not fitting:
        return None
    best, read = fitting[0]
    rivals = tuple(f for f, r in fitting[1:] if not r.equals(read) and len(f) >= len(best) - 2)
    return TimeForm(best, best.endswith(ZONES), rivals, read)


def _possible(cell: str, forms: list[str]) -> list[str]:
    """Return the formats whose separators occur in a cell as often as in the format."""
    signs = {s: cell.count(s) for s in ":./hT,"}

    def is_possible(form: str) -> bool:
        plain = form.replace("%:z", "+00:00" if signs[":"] else "+00").replace("%.f", ".0" if "." in cell else "")
        return all(plain.count(s) == n for s, n in signs.items() if s not in "hT") and ("T" in form) == (
            "T" in cell and "h" not in cell[:-2]
        ) or "%b" in form

    return [f for f in forms if is_possible(f)]
