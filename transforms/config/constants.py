"""Constants of a mapping: column values that the mapping states because the file does not contain them."""

import datetime as dt
import math
from typing import Any
from zoneinfo import ZoneInfo

import dataframely as dy
import polars as pl

from transforms.config.problems import format_value
from transforms.contracts.flag_words import parse_flag
from transforms.contracts.phrase import Phrase, phrase


class UnfitConstantError(Exception):
    """Error of a constant that does not fit its column.

    Attributes:
        expected: a value that would fit, to complete "give it ...".
    """

    def __init__(self, expected: Phrase) -> None:
        super().__init__(expected)
        self.expected = expected


def parse_constant(value: Any, column: dy.Column, zone: str | None, time_format: str | None) -> Any:
    """Return a constant in the type of its column; a local time becomes UTC.

    Args:
        value: the value from the mapping file.
        column: the contract of the column.
        zone: IANA time zone of a time without an offset; None if the mapping names none.
        time_format: strptime format of a time given as text.

    Raises:
        UnfitConstantError: the value has the wrong type, or is outside the bounds of the column.
    """
    if isinstance(column, dy.Datetime):
        parsed: Any = _time(value, zone, time_format)
    elif isinstance(column, dy.Bool):
        parsed = _flag(value)
    elif isinstance(column, dy.String):
        parsed = _text(value)
    else:
        parsed = _number(value, is_whole=isinstance(column, dy.Int64))
    _within_bounds(parsed, column)
    return parsed


def _time(value: Any, zone: str | None, time_format: str | None) -> dt.datetime:
    if isinstance(value, str) and time_format is not None:
        read = pl.Series([value]).str.to_datetime(time_format, strict=False, time_unit="us", ambiguous="earliest")[0]
        if read is None:
            raise UnfitConstantError(phrase("a time of the form {pattern}", pattern=format_value(time_format)))
        value = read
    if isinstance(value, dt.date) and not isinstance(value, dt.datetime):
        value = dt.datetime.combine(value, dt.time())
    if not isinstance(value, dt.datetime):
        raise UnfitConstantError(phrase("a date and time without quotes, such as 2025-10-17T06:00:00Z"))
    if value.tzinfo is None:
        if zone is None:
            raise UnfitConstantError(phrase("a time with an offset such as 2025-10-17T06:00:00Z, or add time_zone"))
        value = value.replace(tzinfo=ZoneInfo(zone))
    moment: dt.datetime = value
    try:
        return moment.astimezone(dt.UTC)
    except OverflowError as problem:
        raise UnfitConstantError(phrase("a date and time in this century")) from problem


def _flag(value: Any) -> bool:
    parsed = parse_flag(value, "") if isinstance(value, str) else value
    if not isinstance(parsed, bool):
        raise UnfitConstantError(phrase("true or false"))
    return parsed


def _text(value: Any) -> str | int:
    is_text = isinstance(value, str) and value.strip() and value.isprintable()
    if isinstance(value, bool) or not (is_text or isinstance(value, int)):
        raise UnfitConstantError(phrase("a text in quotes"))
    text: str | int = value
    return text


def _number(value: Any, *, is_whole: bool) -> Any:
    expected = phrase("a whole number") if is_whole else phrase("a number")
    try:
        number = float(value) if isinstance(value, (int, float, str)) and not isinstance(value, bool) else math.nan
    except (ValueError, OverflowError):
        number = math.nan
    if not math.isfinite(number) or (is_whole and not number.is_integer()) or "_" in str(value):
        raise UnfitConstantError(expected)
    if is_whole and not isinstance(value, int):
        return int(number)
    return value


def _within_bounds(parsed: Any, column: Any) -> None:
    value = float(parsed) if isinstance(parsed, str) and isinstance(column, dy.Float64) else parsed
    low, above, high = (getattr(column, name, None) for name in ("min", "min_exclusive", "max"))
    if low is not None and value < low:
        raise UnfitConstantError(phrase("a value of at least {limit}", limit=low))
    if above is not None and value <= above:
        raise UnfitConstantError(phrase("a value above {limit}", limit=above))
    if high is not None and value > high:
        raise UnfitConstantError(phrase("a value of at most {limit}", limit=high))
