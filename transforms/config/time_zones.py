"""Validation of IANA time zone names."""

from functools import cache
from zoneinfo import ZoneInfo, available_timezones

from transforms.config.problems import suggestion
from transforms.contracts.phrase import phrase


@cache
def check_time_zone(name: str) -> str:
    """Return a time zone name after checking that the zone exists.

    Raises:
        ValueError: no time zone has this name.

    >>> check_time_zone("Europe/Berlin")
    'Europe/Berlin'
    """
    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError) as problem:
        hint = suggestion(name, available_timezones())
        fault = phrase("it is not a known time zone")
        raise ValueError(phrase("{fault}; {hint}", fault=fault, hint=hint) if hint else fault) from problem
    return name
