"""Detection of the time format of a file: order of day and month, padding, and time zone."""

import re
from dataclasses import dataclass
from functools import lru_cache

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
FORMS = tuple(
    [f"{d}{j}{c}{z}" for d in DATES for j in JOINTS for c in CLOCKS for z in ZONES]
    + [f"{d}{j}{c}" for d in DATES for j in JOINTS for c in CLOCKS]
    + list(DATES)
)
"""All formats, best first: with a zone, without, and dates."""
NUMBER, NAME = r"[+-]?\d.?", r"[^\W\d]+"
SHAPES = {
    **dict.fromkeys(("%m", "%d", "%y", "%H", "%I", "%M", "%S"), NUMBER),
    "%Y": r"[+-]?\d.{0,3}\d*",
    "%b": NAME,
    "%p": NAME,
    "%.f": r"(?:\.\d*)?",
    "%z": ".*",
    "%:z": ".*",
    " ": "",
}
"""Part of a format -> regular expression that matches at least the texts that the part reads; spaces may surround it.

A number is read from as many characters as it may have, whatever follows its first digit.
"""
MAX_INVALID_SHARE = 0.05
"""Maximum share of unreadable times for a format to fit."""
SEPARATORS = ":./,"
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
    fitting: list[tuple[str, pl.Series]] = []
    first = samples.head(FIRST_CELLS)
    is_long, heads = len(samples) > FIRST_CELLS and first.n_unique() > 1, first.to_list()
    for form in _possible(heads[0]):
        if (is_long or len(samples) <= FIRST_CELLS) and not _may_fit(heads, form):
            continue
        if is_long and _fits(first, form) is None:
            continue
        read = _fits(samples, form)
        if read is not None:
            fitting.append((form, read))
    if not fitting:
        return None
    best, read = fitting[0]
    rivals = tuple(f for f, r in fitting[1:] if not r.equals(read) and len(f) >= len(best) - 2)
    return TimeForm(best, best.endswith(ZONES), rivals, read)


@lru_cache(maxsize=len(FORMS))
def _shape(form: str) -> re.Pattern[str]:
    """Return a regular expression that matches every text that can be read in a format, and others."""
    parts = re.findall(r"%[:.]?\w|.", form)
    return re.compile(r"\s*".join(["", *(SHAPES.get(part, re.escape(part)) for part in parts), ""]))


def _may_fit(cells: list[str], form: str) -> bool:
    """Return False if `_fits` would refuse a format because too many cells lack its shape; this takes less time."""
    shape = _shape(form)
    return sum(shape.fullmatch(c) is None for c in cells) <= MAX_INVALID_SHARE * len(cells)


def _possible(cell: str) -> tuple[str, ...]:
    """Return the formats whose separators occur in a cell as often as in the format."""
    has_joint = "T" in cell and "h" not in cell[:-2]
    return _possible_with(tuple(cell.count(s) for s in SEPARATORS), has_joint)


@lru_cache(maxsize=1024)
def _possible_with(counts: tuple[int, ...], has_joint: bool) -> tuple[str, ...]:  # noqa: FBT001
    """Return the formats with some counts of `SEPARATORS`, and a T between date and time or none."""
    signs = dict(zip(SEPARATORS, counts, strict=True))

    def is_possible(form: str) -> bool:
        plain = form.replace("%:z", "+00:00" if signs[":"] else "+00").replace("%.f", ".0" if signs["."] else "")
        alike = all(plain.count(s) == n for s, n in signs.items())
        return (alike and ("T" in form) == has_joint) or "%b" in form

    return tuple(f for f in FORMS if is_possible(f))
