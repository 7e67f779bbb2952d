"""Time zones by IANA name."""

from functools import cache
from zoneinfo import ZoneInfo, available_timezones

from transforms.config.problems import suggestion


@cache
def check_time_zone(name: str) -> str:
    """Return the name of a time zone that exists.

    Raises:
        ValueError: there is none of that name.
    """
    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError) as problem:
        hint = suggestion(name, available_timezones())
        raise ValueError(f"there is no time zone of this name; {hint}".removesuffix("; ")) from problem
    return name
