"""Formats of times as people write them: `DD.MM.YYYY hh:mm` instead of `%d.%m.%Y %H:%M`."""

import re

from reports.language.translate import mark, translated

PARTS = {
    "%F": "%Y-%m-%d",
    "%D": "%m/%d/%y",
    "%T": "%H:%M:%S",
    "%R": "%H:%M",
    "%r": "%I:%M:%S %p",
}
"""Directive that replaces several -> these."""
DIRECTIVES = {
    "%Y": mark("YYYY"),
    "%y": mark("YY"),
    "%m": mark("MM"),
    "%d": mark("DD"),
    "%e": mark("DD"),
    "%j": mark("DDD"),
    "%b": mark("month"),
    "%B": mark("month"),
    "%a": mark("weekday"),
    "%A": mark("weekday"),
    "%H": mark("hh"),
    "%k": mark("hh"),
    "%I": mark("hh"),
    "%l": mark("hh"),
    "%M": mark("mm"),
    "%S": mark("ss"),
    "%f": mark("fff"),
    "%.f": mark(".fff"),
    "%p": mark("AM/PM"),
    "%P": mark("AM/PM"),
    "%z": mark("+hhmm"),
    "%:z": mark("+hh:mm"),
    "%Z": mark("time zone"),
    "%s": mark("seconds since 1970"),
}
"""Directive of a format -> its letters, with one letter per digit where the number of digits is fixed."""
_DIRECTIVE = re.compile(r"%([-_0^#]?)(\.?)\d?(:?[A-Za-z])")


def time_pattern(form: str) -> str:
    """Return a format of times as a pattern that people can read; unknown directives unchanged.

    >>> time_pattern("%d.%m.%Y %H:%M")
    'DD.MM.YYYY hh:mm'
    >>> time_pattern("%FT%T%.3f%:z")
    'YYYY-MM-DDThh:mm:ss.fff+hh:mm'
    """
    for short, long in PARTS.items():
        form = form.replace(short, long)
    return _DIRECTIVE.sub(lambda m: _letters(f"%{m[2]}{m[3]}", m[0]), form).replace("%%", "%")


def _letters(directive: str, written: str) -> str:
    return translated(DIRECTIVES[directive]) if directive in DIRECTIVES else written
