"""Constant ids of a mapping, and the files that they may not be used for.

A mapping that states the machine itself often has a pattern with wildcards, which also matches the files of other
machines. A file is therefore read with a constant id only if its name cannot mean another one.
"""

import re
from collections.abc import Iterator

from transforms.contracts.reason import Reason, reason
from transforms.ingest.mapping import ColumnMapping, Mapping, original_name

ID_COLUMNS = ("machine_id", "field_id", "load_id")
"""Columns whose constant must hold for every file that the mapping matches."""
_YEAR, _MONTH, _DAY = r"(?:19|20)\d{2}", r"(?:0[1-9]|1[0-2])", r"(?:0[1-9]|[12]\d|3[01])"
_TIME = r"(?:[T_\- ]?(?:[01]\d|2[0-3])[-_.:]?[0-5]\d(?:[-_.:]?[0-5]\d)?Z?)?"
_DATE = re.compile(rf"(?<!\d)(?:{_YEAR}([-_.]?){_MONTH}\1{_DAY}|{_DAY}([-_.]?){_MONTH}\2{_YEAR}){_TIME}(?![A-Za-z\d])")
"""A whole date, and a time of day after it; a shorter number may be that of a machine."""
_WILDCARD = re.compile(r"\*|\?|\[!?\]?[^\]]*\]")


def _open_places(pattern: str, name: str) -> set[int]:
    """Return the positions in a matching file name that the wildcards of a pattern leave open.

    >>> sorted(_open_places("log_*.csv", "log_M1.csv"))
    [4, 5]
    """
    text, at = "", 0
    for wildcard in _WILDCARD.finditer(pattern):
        text += re.escape(pattern[at : wildcard.start()]) + ("(.*)" if wildcard.group() == "*" else "(.)")
        at = wildcard.end()
    match = re.fullmatch(text + re.escape(pattern[at:]), name, re.DOTALL)
    if match is None:
        return set(range(len(name)))
    return {i for group in range(1, match.re.groups + 1) for i in range(*match.span(group))}


def _places(found: Iterator[re.Match[str]]) -> list[set[int]]:
    return [set(range(*match.span())) for match in found]


def _word(value: str) -> re.Pattern[str]:
    """Return the expression of an id as a whole word."""
    return re.compile(rf"(?<![^\W_]){re.escape(value)}(?![^\W_])", re.IGNORECASE)


def pattern_of_id(name: str, value: str) -> str:
    """Return a file name pattern for future files with the same constant id, with wildcards for dates and numbers.

    >>> pattern_of_id("log_M01_20251001_3.csv", "M01"), pattern_of_id("log_20251001_3.csv", "M01")
    ('log_M01_*_*.csv', 'log_*_3.csv')
    """
    stem, dot, suffix = re.sub(r"[\[\]?*]", "?", name).rpartition(".")
    own = _word(value).search(stem)
    if own is None:
        return _DATE.sub("*", stem) + dot + suffix
    parts = (stem[: own.start()], stem[own.end() :])
    before, after = (re.sub(r"\d+", "*", _DATE.sub("*", part)) for part in parts)
    return before + own.group() + after + dot + suffix


def _unexplained(pattern: str, name: str, value: str) -> str:
    """Return the words that a pattern leaves open and that are neither a date nor the constant; may be empty."""
    left = _open_places(pattern, name)
    own = _places(_word(value).finditer(name))
    if any(places.isdisjoint(left) for places in own):
        return ""  # the pattern itself names the id
    left = left.difference(*_places(_DATE.finditer(name)), *own)
    words = [w for w in re.finditer(r"[^\W_]+", name) if not left.isdisjoint(range(*w.span()))]
    return " ".join(w.group() for w in words)


def _conflict(column: ColumnMapping, mapping: Mapping, name: str) -> Reason | None:
    opens = [_unexplained(p, name, str(column.value)) for p in mapping.matching_patterns(name)]
    if not all(opens):
        return None
    return reason(
        "id_stated_for_all",
        mapping=mapping.name,
        column=column.column,
        value=str(column.value),
        text=min(opens, key=len),
    )


def find_id_conflict(mapping: Mapping, file_name: str) -> Reason | None:
    """Return the reason not to read a file with a constant id of its mapping; None if the id holds for the file.

    It holds if the pattern names the id itself, or if its wildcards leave nothing open but the id, dates and times, or
    if the mapping says that it holds `for_all_files`.

    Args:
        mapping: the mapping.
        file_name: name of the file, without its folder.
    """
    name = original_name(file_name)
    stated = [c for c in mapping.columns if c.column in ID_COLUMNS and c.value is not None and not c.for_all_files]
    return next((why for c in stated if (why := _conflict(c, mapping, name)) is not None), None)
