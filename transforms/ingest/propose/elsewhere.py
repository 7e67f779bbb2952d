"""Ids that are not in a column: in the file's name, in the lines above the header, or nowhere."""

import re
from typing import NamedTuple

from transforms.ingest.propose.lexicon import Lexicon
from transforms.ingest.propose.times import TimeForm, detect_time_format

CONCEPTS = {
    "machine_id": "machine",
    "site_id": "site",
    "station_id": "station",
    "field_id": "field",
    "operator_id": "operator",
}
"""Table column -> concept of its label above the header."""
ID_IN_NAME = re.compile(r"(?:^|[_\-. ])([A-Za-z]{1,4}\d{1,5}|[A-Z]{1,2}-\d{1,4})(?=[_\-. ])")
MIN_ID_DIGITS = 3
"""Least digits of a number above the header that is an id without other evidence (common practice, no source)."""
DATED_LINE = re.compile(r"(?i)\b(date|datum|data|fecha|дата|dzień|den|tag|jour|day)\b\s*[:=]?\s*([\d./-]{8,10})")
SOME_DATE = re.compile(r"\d{1,4}[./-]\d{1,2}[./-]\d{2,4}")
DAY_IN_NAME = re.compile(r"(?<!\d)(20\d{2}-?\d{2}-?\d{2}|\d{2}\.\d{2}\.20\d{2})(?!\d)")
DATE_WORDS = {"kw", "w", "wk", "t"}
LABEL = re.compile(r"([^:=;,\t]{2,40}?)\s*[:=]\s*([^:=;,\t]+?)\s*(?=[;,\t]|$)")


class Found(NamedTuple):
    """Id found outside the columns: a pattern whose first group is the id, and the id."""

    pattern: str
    value: str


def id_in_file_name(name: str) -> Found | None:
    """Return a machine number in a file name; None if there is none.

    >>> id_in_file_name("log_M07_20251001.csv").value
    'M07'
    """
    for found in ID_IN_NAME.finditer(name):
        letters = re.sub(r"\d", "", found.group(1))
        if letters.casefold().rstrip("-") not in DATE_WORDS:
            return Found(rf"(?:^|[_\-. ])({re.escape(letters)}\d+)(?=[_\-. ])", found.group(1))
    return None


def is_certain_id(above: Found, named: Found | None, known: frozenset[str]) -> bool:
    """Return True if an id above the header needs no question.

    Args:
        above: the id above the header. A short number beside a label may be that of a display or of a printer.
        named: id in the file's name; another id there makes the first uncertain.
        known: ids that the workspace has.
    """
    if above.value in known:
        return True
    has_rival = named is not None and named.value != above.value
    return not has_rival and (not above.value.isdigit() or len(above.value) >= MIN_ID_DIGITS)


class DayOutside(NamedTuple):
    """Day of a file's times: the key of a mapping with its pattern, its format with rivals, and the day as written."""

    given: dict[str, str]
    form: TimeForm
    text: str


def day_outside(name: str, preamble: list[str]) -> DayOutside | None:
    """Return the day of a file whose times are times of day; None if there is none, or none that is sure.

    Args:
        name: name of the file.
        preamble: lines above the header. A date beside a word for it counts before one in the name, which may be that
            of the export; with any other date above the header the name's says nothing.
    """
    for line in preamble:
        found = DATED_LINE.search(line)
        form = None if found is None else detect_time_format([found.group(2)])
        if found is not None and form is not None:
            pattern = rf"{re.escape(found.group(1))}\s*[:=]?\s*([\d./-]+)"
            return DayOutside({"preamble": pattern}, form, found.group(2))
    found = DAY_IN_NAME.search(name)
    if found is None or any(SOME_DATE.search(line) for line in preamble):
        return None
    form = detect_time_format([found.group(1)])
    return None if form is None or form.rivals else DayOutside({"file_name": DAY_IN_NAME.pattern}, form, found.group(1))


def id_in_preamble(column: str, preamble: list[str], lexicon: Lexicon) -> Found | None:
    """Return an id with its label in the lines above the header, such as "Maschine: R07"; None if there is none."""
    concept = CONCEPTS.get(column)
    for line in preamble:
        for found in LABEL.finditer(line):
            tokens = lexicon.tokens(found.group(1))
            if concept is not None and tokens and all(t.concepts & {concept, "number", "name"} for t in tokens):
                label = re.escape(found.group(1).strip())
                return Found(rf"{label}\s*[:=]\s*([^:=;,\t]+?)\s*(?:[;,\t]|$)", found.group(2))
    return None
