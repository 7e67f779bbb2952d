"""Profiles of the values of a file's columns: numbers, repetition, counters and times of day."""

import re
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from transforms.ingest.chunk import EMPTY_WORDS
from transforms.ingest.propose.numbers import parse_number
from transforms.ingest.propose.times import TimeForm, detect_time_format

CLOCK = re.compile(r"^\d{1,2}[:h]\d{2}([:]\d{2}(\.\d+)?)?( ?[AaPp]\.?[Mm]\.?)?( ?Uhr)?$")
TIME_LIKE = re.compile(r"^\d{1,4}[-./ ][A-Za-z\d]{1,9}[-./ ,]+\d{2,4}|^\d{8}([T ]?\d{4,6})?$")
EMPTY = frozenset(EMPTY_WORDS)
TYPED_SHARE = 0.9
"""Minimum share of cells of a type for a column to have it."""
CLOCK_CELLS = 50


@dataclass(frozen=True)
class ColumnProfile:
    """Sample values of one column.

    Attributes:
        column: the column of the file.
        cells: all cells of the sample in row order; empty text for an empty cell.
        decimal: decimal mark of the file.
        thousands: thousands mark of the file; empty if there is none.
    """

    column: str
    cells: tuple[str, ...]
    decimal: str
    thousands: str

    @cached_property
    def filled(self) -> list[str]:
        """Cells that are not empty."""
        return [c for c in self.cells if c not in EMPTY]

    @cached_property
    def distinct(self) -> set[str]:
        """Different values."""
        return set(self.filled)

    @cached_property
    def values(self) -> NDArray[np.float64]:
        """Numbers in row order; nan for cells that are not numbers."""
        return np.array([parse_number(c, self.decimal, self.thousands) for c in self.cells], dtype=np.float64)

    @cached_property
    def numbers(self) -> NDArray[np.float64]:
        """Numbers without gaps."""
        return self.values[np.isfinite(self.values)]

    @cached_property
    def is_numeric(self) -> bool:
        """True if almost all filled cells are numbers."""
        return bool(self.filled) and self.numbers.size >= TYPED_SHARE * len(self.filled)

    @cached_property
    def is_whole(self) -> bool:
        """True if all numbers are whole."""
        return self.is_numeric and bool((self.numbers == np.round(self.numbers)).all())

    @cached_property
    def is_unique(self) -> bool:
        """True if no value repeats."""
        return bool(self.filled) and len(self.distinct) == len(self.filled)

    @cached_property
    def is_counter(self) -> bool:
        """True for line numbers: 0 or 1, then one more in almost each row."""
        numbers = self.numbers
        is_first = self.is_whole and numbers.size > 2 and bool(numbers[0] in {0, 1})
        return is_first and bool((np.diff(numbers) == 1).mean() >= TYPED_SHARE)

    @cached_property
    def is_clock(self) -> bool:
        """True if the values are times of day."""
        cells = self.filled[:CLOCK_CELLS]
        return bool(cells) and all(CLOCK.match(c) for c in cells)

    @cached_property
    def time_form(self) -> TimeForm | None:
        """Format of the values as times with a date; None if they are not such times."""
        cells = self.filled[:CLOCK_CELLS]
        if not cells or sum(bool(TIME_LIKE.match(c)) for c in cells) < TYPED_SHARE * len(cells):
            return None
        return detect_time_format(self.filled)

    @cached_property
    def serial_form(self) -> str | None:
        """Format of numbers that count days or seconds; None if the numbers are not in their range."""
        if not self.is_numeric or not self.numbers.size:
            return None
        low, high = float(self.numbers.min()), float(self.numbers.max())
        for form, first, last in SERIALS:
            if first <= low and high <= last:
                return form
        return None

    @cached_property
    def examples(self) -> str:
        """First different values, for a question."""
        return ", ".join(dict.fromkeys(self.filled[:30]).keys() if len(self.distinct) < 4 else self.filled[:3])


SERIALS = (
    ("excel_1900", 40_000, 55_000),
    ("epoch_s", 1.2e9, 2.2e9),
    ("epoch_ms", 1.2e12, 2.2e12),
)
"""Formats of times as numbers, with the range of the years 2009 to 2050 (2008 to 2039 for seconds)."""


def profile_columns(
    columns: list[str], rows: list[list[str]], decimal: str, thousands: str
) -> dict[str, ColumnProfile]:
    """Return the profile of each column.

    Args:
        columns: columns of the file.
        rows: sample rows, one cell per column.
        decimal: decimal mark.
        thousands: thousands mark; empty if there is none.
    """
    return {
        c: ColumnProfile(c, tuple(r[i] if i < len(r) else "" for r in rows), decimal, thousands)
        for i, c in enumerate(columns)
    }
