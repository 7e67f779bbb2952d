"""Constants of a mapping: values for what a file does not state."""

import datetime as dt
import math
from typing import Any
from zoneinfo import ZoneInfo

import dataframely as dy
import polars as pl

from transforms.config.problems import shown

WORDS_OF_FLAGS = {"true": True, "1": True, "yes": True, "false": False, "0": False, "no": False}


class UnfitConstantError(Exception):
    """A constant that its column cannot hold; the message completes "give it ..."."""


def constant(value: Any, column: dy.Column, zone: str | None, time_format: str | None) -> Any:
    """Return a constant as a column takes it; a local time becomes UTC.

    Raises:
        UnfitConstantError: the column cannot hold it.
    """
    if isinstance(column, dy.Datetime):
        made: Any = _time(value, zone, time_format)
    elif isinstance(column, dy.Bool):
        made = _flag(value)
    elif isinstance(column, dy.String):
        made = _text(value)
    else:
        made = _number(value, is_whole=isinstance(column, dy.Int64))
    _within_bounds(made, column)
    return made


def _time(value: Any, zone: str | None, time_format: str | None) -> dt.datetime:
    if isinstance(value, str) and time_format is not None:
        read = pl.Series([value]).str.to_datetime(time_format, strict=False, time_unit="us", ambiguous="earliest")[0]
        if read is None:
            raise UnfitConstantError(f"a time of the form {shown(time_format)}")
        value = read
    if isinstance(value, dt.date) and not isinstance(value, dt.datetime):
        value = dt.datetime.combine(value, dt.time())
    if not isinstance(value, dt.datetime):
        raise UnfitConstantError("a date and time without quotes, such as 2025-10-17T06:00:00Z")
    if value.tzinfo is None:
        if zone is None:
            raise UnfitConstantError("a time with an offset such as 2025-10-17T06:00:00Z, or add time_zone")
        value = value.replace(tzinfo=ZoneInfo(zone))
    moment: dt.datetime = value
    try:
        return moment.astimezone(dt.UTC)
    except OverflowError as problem:
        raise UnfitConstantError("a time of this century") from problem


def _flag(value: Any) -> bool:
    made = WORDS_OF_FLAGS.get(value.strip().lower()) if isinstance(value, str) else value
    if not isinstance(made, bool):
        raise UnfitConstantError("true or false")
    return made


def _text(value: Any) -> str | int:
    is_text = isinstance(value, str) and value.strip() and value.isprintable()
    if isinstance(value, bool) or not (is_text or isinstance(value, int)):
        raise UnfitConstantError("a text in quotes")
    return value  # type: ignore[no-any-return]


def _number(value: Any, *, is_whole: bool) -> Any:
    expected = "a whole number" if is_whole else "a number"
    try:
        number = float(value) if isinstance(value, (int, float, str)) and not isinstance(value, bool) else math.nan
    except (ValueError, OverflowError):
        number = math.nan
    if not math.isfinite(number) or (is_whole and not number.is_integer()) or "_" in str(value):
        raise UnfitConstantError(expected)
    if is_whole and not isinstance(value, int):
        return int(number)
    return value


def _within_bounds(made: Any, column: Any) -> None:
    value = float(made) if isinstance(made, str) and isinstance(column, dy.Float64) else made
    low, above, high = (getattr(column, name, None) for name in ("min", "min_exclusive", "max"))
    if low is not None and value < low:
        raise UnfitConstantError(f"a value of at least {low}")
    if above is not None and value <= above:
        raise UnfitConstantError(f"a value above {above}")
    if high is not None and value > high:
        raise UnfitConstantError(f"a value of at most {high}")
