"""Ids that are not in a column: in the file's name, in the lines above the header, or nowhere."""

import re
from typing import NamedTuple

from transforms.ingest.propose.lexicon import Lexicon

CONCEPTS = {
    "machine_id": "machine",
    "site_id": "site",
    "station_id": "station",
    "field_id": "field",
    "operator_id": "operator",
}
"""Table column -> concept of its label above the header."""
ID_IN_NAME = re.compile(r"(?:^|[_\-. ])([A-Za-z]{1,4}\d{1,5})(?=[_\-. ])")
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
        if letters.casefold() not in DATE_WORDS:
            return Found(rf"(?:^|[_\-. ])({re.escape(letters)}\d+)(?=[_\-. ])", found.group(1))
    return None


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
