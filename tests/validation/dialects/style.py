"""Habits of one source of files of an invented office: marks, encoding, header, units and times."""

from dataclasses import dataclass
from random import Random

from tests.validation.dialects.header_names import camel, database, snake
from tests.validation.dialects.lexicon import Lexicon
from tests.validation.dialects.time_styles import TimeStyle, draw_time_style

ZONES = {
    "de": "Europe/Berlin",
    "en": "Europe/London",
    "fr": "Europe/Paris",
    "pl": "Europe/Warsaw",
    "nl": "Europe/Amsterdam",
    "es": "Europe/Madrid",
    "ru": "Europe/Moscow",
    "cs": "Europe/Prague",
}
US_ZONE = "America/Chicago"
CODE_PAGES = {"pl": "cp1250", "cs": "cp1250", "ru": "cp1251"}
BRACKETS = ("{name} [{unit}]", "{name} ({unit})", "{name} {unit}", "{name}, {unit}")
SET_ASIDE_BRACKETS = ("{name}<{unit}>", "{name}/{unit}", "{name} in {unit}")
EMPTY_MARKS = ("", "", "", "", "-", "n/a", "---")
THOUSANDS = {",": (".", " ", "'"), ".": (",", " ")}


@dataclass(frozen=True)
class Style:
    """Habits of one source of files.

    Attributes:
        lexicon: words of the office.
        is_us: US units and dates.
        separator, decimal, thousands: marks of a text file; no thousands mark if empty.
        encoding, has_bom: encoding of a text file.
        unit_place: `header`, `row` or `nowhere`.
        bracket: pattern of a header with a unit.
        name_style: `plain`, `upper`, `snake`, `camel` or `database`.
        time: way of writing times.
        zone: zone of times without an offset.
        zone_note: text in headers of times that names the zone; empty if none does.
        has_groups: True for two header rows.
        has_preamble: True for lines above the header.
        has_totals: True for a last row of totals.
        is_quoted: True if all cells of a text file are in quotes.
        empty_mark: text of cells without a value.
        extra_share: probability of each column that nobody needs.
        habit: probability that a quantity has its most common unit.
        unit_cell, no_unit: pattern of a cell of the row of units, and its text for a column without a unit.
        group_layout: `merged`, `repeated` (over each column) or `below` (single names are in the lower row).
        number_pattern: pattern of numbered headers; empty if they have no numbers.
    """

    lexicon: Lexicon
    is_us: bool
    separator: str
    decimal: str
    thousands: str
    encoding: str
    has_bom: bool
    unit_place: str
    bracket: str
    name_style: str
    time: TimeStyle
    zone: str
    zone_note: str
    has_groups: bool
    has_preamble: bool
    has_totals: bool
    is_quoted: bool
    empty_mark: str
    extra_share: float
    habit: float
    unit_cell: str = "{unit}"
    no_unit: str = ""
    group_layout: str = "merged"
    number_pattern: str = ""

    def header(self, name: str, unit: str) -> str:
        """Return a header text in the style of names, with its unit if units are in headers."""
        if self.encoding.startswith("cp"):  # not every code page has the raised 2
            unit = unit.replace("²", "2")
        has_unit = bool(unit) and self.unit_place == "header"
        if self.name_style in {"camel", "database"}:
            return (camel if self.name_style == "camel" else database)(name, unit if has_unit else "")
        if self.name_style == "snake":
            text = snake(f"{name} {unit if has_unit and unit not in {'%', '‰', '°'} else ''}")
            return text + (" %" if has_unit and unit == "%" else "")
        text = name.upper() if self.name_style == "upper" else name
        return self.bracket.format(name=text, unit=unit) if has_unit else text


def draw_style(rng: Random, lexicon: Lexicon, source: str, *, is_us: bool) -> Style:
    """Draw the habits of a source of files.

    Args:
        rng: source of the draws.
        lexicon: words of the office.
        source: machine, factory, office or weather.
        is_us: True for an office with US habits.
    """
    language, aside = lexicon.language, lexicon.is_set_aside
    has_point = language == "en" or rng.random() < (0.45 if source in {"machine", "weather"} else 0.15)
    decimal = "." if has_point else ","
    separator = rng.choice([",", ";", "\t", ","] if decimal == "." else [";", ";", "\t", "|"])
    is_utc = source in {"machine", "weather"} and rng.random() < 0.25
    local = US_ZONE if is_us else ZONES[language]
    notes = {True: rng.choice(["UTC", "GMT"]), False: lexicon.word("local") if rng.random() < 0.2 else ""}
    code_page = CODE_PAGES.get(language, "cp1252")
    encoding = rng.choice(["utf-8", "utf-8", "utf-8", code_page, code_page, "utf-16"])
    return Style(
        lexicon=lexicon,
        is_us=is_us,
        separator=separator,
        decimal=decimal,
        thousands=rng.choice([m for m in THOUSANDS[decimal] if m != separator]) if rng.random() < 0.25 else "",
        encoding=encoding,
        has_bom=encoding == "utf-8" and rng.random() < 0.4,
        unit_place=rng.choice(["header", "header", "header", "row", "nowhere"]),
        bracket=rng.choice([*BRACKETS, *(SET_ASIDE_BRACKETS if aside else ())]),
        name_style=rng.choice(["plain", "plain", "plain", "upper", "snake"]),
        time=draw_time_style(rng, language, source, is_us=is_us, is_set_aside=aside),
        zone="UTC" if is_utc else local,
        zone_note=notes[is_utc],
        has_groups=rng.random() < 0.2,
        has_preamble=rng.random() < 0.35,
        has_totals=source == "factory" and rng.random() < 0.4,
        is_quoted=rng.random() < 0.1,
        empty_mark=rng.choice(EMPTY_MARKS),
        extra_share=rng.choice([0.1, 0.25, 0.45]),
        habit=rng.choice([0.4, 0.7, 0.9]),
    )
