"""Habits of a source of files of an office of the fourth group, and names of databases with short fields."""

import unicodedata
from dataclasses import dataclass
from typing import Any

from tests.validation.dialects.fourth_words import FourthWords
from tests.validation.dialects.truth import FileColumn

SHORT_NAME = 10
_LATIN = str.maketrans({"ł": "l", "Ł": "L", "ß": "ss", "ø": "o", "Ø": "O", "æ": "ae", "Æ": "Ae", "ı": "i"})


@dataclass(frozen=True)
class FourthStyle:
    """Habits of a source of files.

    Attributes:
        lexicon: words of the office.
        zone: zone of times without an offset.
        local: zone of the office.
        separator, decimal, thousands, encoding: marks and encoding of a text file.
        has_bom: True for a byte order mark.
        pattern: text after a header, with `{}` for the unit.
        unit_place: `header`, `row` or `nowhere`.
        unit_cell, no_unit: pattern of a cell of the row of units, and its text for a column without a unit.
        group_layout: place of the headers above several columns.
        when: way of writing times: formats with a bar between date and time of day in columns of their own, a `^`
            before a date above the header, or the name of a numeric format.
        has_groups, has_totals, is_quoted, is_short, is_upper, has_head, has_footer: True for two header rows, a row of
            totals, quotes around all cells, names of at most ten letters, capitals, lines above the header, and lines
            below the rows.
        empty_mark: text of cells without a value.
        extra_share: probability of each column that nobody needs.
    """

    lexicon: FourthWords
    zone: str
    local: str
    separator: str = ";"
    decimal: str = ","
    thousands: str = ""
    encoding: str = "utf-8"
    has_bom: bool = False
    pattern: str = " [{}]"
    unit_place: str = "header"
    unit_cell: str = "{unit}"
    no_unit: str = ""
    group_layout: str = "merged"
    when: str = "%d.%m.%Y %H:%M"
    has_groups: bool = False
    has_totals: bool = False
    is_quoted: bool = False
    is_short: bool = False
    is_upper: bool = False
    has_head: bool = False
    has_footer: bool = False
    empty_mark: str = ""
    extra_share: float = 0.3

    def header(self, name: str, unit: str) -> str:
        """Return a header text with its unit if units are in headers."""
        text = name.upper() if self.is_upper else name
        unit = (
            unit.replace("²", "2") if self.encoding.startswith("cp") else unit
        )  # not every code page has the raised 2
        return text + self.pattern.format(unit) if unit and self.unit_place == "header" else text


def fourth_style(words: FourthWords, source: str) -> FourthStyle:
    """Return the habits of a source; those of the office hold unless the source has its own."""
    own: dict[str, Any] = {**words.raw.get("style", {}), **words.raw.get(source, {})}
    own["has_bom"] = own.get("has_bom", False) and own.get("encoding", "utf-8") == "utf-8"
    local = words.raw["zone"]
    zone = "UTC" if own.pop("is_utc", False) or own.get("when", "").endswith("Z") else local
    return FourthStyle(words, zone, local, **own)


def shorten(columns: list[FileColumn]) -> None:
    """Give columns the names of a database whose names have at most ten letters."""
    seen = set[str]()
    for column in columns:
        plain = unicodedata.normalize("NFD", column.name.translate(_LATIN))
        kept = "".join(c if c.isalnum() else " " for c in plain if not unicodedata.combining(c))
        short = "_".join(kept.split()).upper()[:SHORT_NAME]
        number = 1
        while short in seen:
            number += 1
            short = f"{short[: SHORT_NAME - len(str(number))]}{number}"
        seen.add(short)
        column.name = short
