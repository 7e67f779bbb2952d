"""Lookups of a mapping: values by key, some of them from a date on."""

import datetime as dt
from dataclasses import dataclass
from typing import Any

import dataframely as dy

from transforms.config.constants import UnfitConstantError, parse_constant
from transforms.contracts.phrase import phrase


@dataclass(frozen=True)
class LookupValue:
    """Value of one key of a lookup.

    Attributes:
        key: the key, as text.
        value: the value in the type of the column, in its stored unit; times are in UTC.
        from_at: time in UTC from which the value applies; None for a value without a date.
    """

    key: str
    value: str | float | bool | dt.datetime
    from_at: dt.datetime | None = None


def parse_lookup(
    table: dict[str, Any], column: dy.Column, zone: str | None, time_format: str | None
) -> list[LookupValue]:
    """Return the values of a lookup in the type of its column.

    Args:
        table: key -> value, or key -> table of dates and values.
        column: the contract of the column.
        zone: IANA time zone of times and dates without an offset; None if the mapping names none.
        time_format: strptime format of a time given as text.

    Raises:
        UnfitConstantError: a value does not fit the column, or a date is not one.
    """
    values = []
    for key, given in table.items():
        by_date = given.items() if isinstance(given, dict) else [(None, given)]
        for date, value in by_date:
            parsed = parse_constant(value, column, zone, time_format)
            values.append(LookupValue(key.strip(), parsed, None if date is None else _date(date, zone)))
    return values


def has_dates(table: dict[str, Any]) -> bool:
    """Return True if a value of a lookup depends on the date."""
    return any(isinstance(value, dict) for value in table.values())


def _date(text: str, zone: str | None) -> dt.datetime:
    """Return the time from which a value applies: a date, or a date and time, in ISO 8601."""
    try:
        return parse_constant(dt.datetime.fromisoformat(text), dy.Datetime(), zone, None)  # type: ignore[no-any-return]
    except ValueError as problem:
        raise UnfitConstantError(phrase("dates such as {line}", line='2025-09-01 or "2025-10-12T06:00"')) from problem
