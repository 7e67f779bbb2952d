"""Columns of console tables, and their values as text for people and as fields for a spreadsheet."""

import datetime as dt
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from flows.cli.printable import printable
from reports.language.bidi import without_isolates
from reports.language.display_units import NO_VALUE, number
from reports.language.labels import interval
from reports.language.translate import local_date, local_moment, say, say_n

MAX_TEXT = 300
"""Characters of a text that a terminal shows; a rejected row may be as long as the outline of a field."""
MAX_MONEY_DECIMALS = 2


@dataclass(frozen=True)
class Figure:
    """Number that is known to `digits` decimals; to tens if `digits` is -1."""

    value: float | None
    digits: int = 0


@dataclass(frozen=True)
class Estimate:
    """Estimate with its 95 % interval, all known to `digits` decimals."""

    value: float | None
    low: float | None
    high: float | None
    digits: int = 0


@dataclass(frozen=True)
class SettingFigure:
    """Setting as an operator sets it: its text for reading, and its number for a spreadsheet."""

    text: str
    value: float
    digits: int


Row = dict[str, Any]
Value = str | bool | int | Figure | Estimate | SettingFigure | dt.datetime | dt.date | None


@dataclass(frozen=True)
class Column:
    """Column of a console table: its heading, with the unit, and its value in a row."""

    heading: str
    value: Callable[[Row], Value]


def plain(heading: str, name: str) -> Column:
    """Return a column that shows a stored value unchanged."""
    return Column(heading, lambda row: row[name])


def figure(heading: str, name: str, digits: int) -> Column:
    """Return a column of numbers that are known to some decimals."""
    return Column(heading, lambda row: Figure(row[name], digits))


def local_time(heading: str, name: str, zone: str) -> Column:
    """Return a column that shows a stored UTC time in a time zone."""
    return Column(heading, lambda row: None if row[name] is None else row[name].astimezone(ZoneInfo(zone)))


def money_digits(*values: float) -> int:
    """Return the decimals that leave two significant digits of the largest of some amounts, at most two decimals.

    >>> money_digits(8.48, 0.67), money_digits(0.034), money_digits(1234.0)
    (1, 2, -2)
    """
    largest = max(abs(v) for v in values)
    return 0 if largest == 0 else min(MAX_MONEY_DECIMALS, 1 - math.floor(math.log10(largest)))


def is_number(value: Value) -> bool:
    """Return True for a value that is aligned to the right and never wrapped."""
    return isinstance(value, int | Figure | Estimate | SettingFigure) and not isinstance(value, bool)


def shown_text(value: Value) -> str:
    """Return a value for reading, on one line; a dash if it is not known."""
    if isinstance(value, str):
        return _shortened(_one_line(value)) or NO_VALUE
    if isinstance(value, Figure):
        return _number(value.value, value.digits)
    if isinstance(value, Estimate):
        return _estimate(value)
    if isinstance(value, SettingFigure):
        return value.text
    if isinstance(value, int) and not isinstance(value, bool):
        return number(value, 0)
    return _moment_or_flag(value, local_moment, lambda day: local_date(day, "yMMMd")) or NO_VALUE


def field_text(value: Value) -> str:
    """Return a value as a field of a spreadsheet: numbers without separators, and text that is never a formula."""
    if isinstance(value, str):
        return _without_formula(_one_line(value))
    if isinstance(value, Figure):
        return "" if not _is_known(value.value) else _ascii(value.value or 0.0, value.digits)
    if isinstance(value, Estimate):
        return _estimate(value) if _is_known(value.value) else ""
    if isinstance(value, SettingFigure):
        return _ascii(value.value, value.digits)
    if isinstance(value, int) and not isinstance(value, bool):
        return str(value)
    return _moment_or_flag(value, lambda at: f"{at:%Y-%m-%d %H:%M}", dt.date.isoformat)


def _shortened(text: str) -> str:
    if len(text) <= MAX_TEXT:
        return text
    rest = say_n("... ({n} more character)", "... ({n} more characters)", len(text) - MAX_TEXT)
    return f"{text[:MAX_TEXT].rstrip()} {rest}"


def _one_line(text: str) -> str:
    return printable(without_isolates(text.replace("\t", " | ")))


def _is_known(value: float | None) -> bool:
    return value is not None and math.isfinite(value)


def _number(value: float | None, digits: int) -> str:
    return number(None if value is None or not math.isfinite(value) else round(value, digits), max(digits, 0))


def _ascii(value: float, digits: int) -> str:
    return f"{round(value, digits) + 0.0:.{max(digits, 0)}f}"  # adding zero turns -0.0 into 0.0


def _estimate(value: Estimate) -> str:
    """Return an estimate as text; its true minus sign is no start of a formula."""
    if not _is_known(value.value):
        return NO_VALUE
    middle = _number(value.value, value.digits)
    if not _is_known(value.low) or not _is_known(value.high):
        return middle
    return f"{middle} ({interval(value.low, value.high, max(value.digits, 0))})"


def _moment_or_flag(
    value: bool | dt.datetime | dt.date | None,
    of_moment: Callable[[dt.datetime], str],
    of_day: Callable[[dt.date], str],
) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return say("yes") if value else say("no")
    return of_moment(value) if isinstance(value, dt.datetime) else of_day(value)


def _without_formula(text: str) -> str:
    """Prefix text with an apostrophe if a spreadsheet would run it as a formula, as `export` does."""
    from transforms.operations.export import FORMULA_STARTS

    return f"'{text}" if text.startswith(FORMULA_STARTS) else text
