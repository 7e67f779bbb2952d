"""Units as written in headers, in the languages of the vocabulary; only spellings without a second meaning."""

import re

from transforms.contracts.units import parse_unit
from transforms.ingest.propose.lexicon import Lexicon
from transforms.ingest.propose.numbers import is_number

UNIT_LETTERS, ROWS_BELOW = 12, 5
"""Most letters of a unit that is not known; rows below a row of units that are looked at."""

SPELLINGS = {
    "кг": "kg",
    "т": "t",
    "г": "g",
    "ц": "dt",
    "га": "ha",
    "м": "m",
    "м2": "m2",
    "м²": "m2",
    "кв м": "m2",
    "кв.м": "m2",
    "см": "cm",
    "см2": "cm2",
    "см²": "cm2",
    "мм": "mm",
    "км/ч": "km/h",
    "км/час": "km/h",
    "м/с": "m/s",
    "об/мин": "rpm",
    "т/га": "t/ha",
    "ц/га": "dt/ha",
    "град": "deg",
    "шт": "count",
    "шт/га": "1/ha",
    "мдж/м2": "MJ/m2",
    "вт/м2": "W/m2",
    "j/cm2": "J/cm2",
    "j/cm²": "J/cm2",
    "дж/см2": "J/cm2",
    "wh/m2": "Wh/m2",
    "wh/m²": "Wh/m2",
    "ммоль/кг": "mmol/kg",
    "ммоль/100г": "mmol/100g",
    "ммоль/100 г": "mmol/100g",
    "szt": "count",
    "szt/ha": "1/ha",
    "stück": "count",
    "stk/ha": "1/ha",
    "st": "count",
    "pièces": "count",
    "uds": "count",
    "ud": "count",
    "kusů": "count",
    "ks/ha": "1/ha",
    "rost/ha": "1/ha",
    "roślin/ha": "1/ha",
    "planten/ha": "1/ha",
    "plantas/ha": "1/ha",
    "pieds/ha": "1/ha",
    "tys/ha": "1000/ha",
    "tis/ha": "1000/ha",
    "тыс/га": "1000/ha",
    "v.h": "%",
    "v. h": "%",
    "vh": "%",
    "% obj": "%",
    "gew.-%": "%",
    "gew-%": "%",
    "gew%": "%",
    "masse-%": "%",
    "ma.-%": "%",
    "m-%": "%",
    "vol.-%": "%",
    "wt%": "%",
    "wt.-%": "%",
    "w/w%": "%",
    "% m/m": "%",
    "% w/w": "%",
    "% mas": "%",
    "proc": "%",
    "por ciento": "%",
    "проц": "%",
    "promile": "‰",
    "rev/min": "rpm",
    "r.p.m": "rpm",
    "umdr/min": "rpm",
    "umin": "rpm",
    "min⁻¹": "rpm",
    "min^-1": "rpm",
    "tr/mn": "rpm",
    "tpm": "rpm",
    "t/min": "rpm",
    "obr./min": "rpm",
    "ot./min": "rpm",
    "toeren/min": "rpm",
    "km/u": "km/h",
    "km/godz": "km/h",
    "km/std": "km/h",
    "km/hod": "km/h",
    "tn": "t",
    "tonelada": "t",
    "toneladas": "t",
    "ton metr": "t",
    "metric tons": "t",
    "metric ton": "t",
    "tony": "t",
    "ton": "",
    "tonn": "t",
    "тонн": "t",
    "tun": "t",
    "qt": "dt",
    "qtl": "dt",
    "dz": "dt",
    "dt/ha": "dt/ha",
    "qx": "dt",
    "qx/ha": "dt/ha",
    "kilo": "kg",
    "kilos": "kg",
    "kilogramm": "kg",
    "pounds": "lb",
    "pound": "lb",
    "hektar": "ha",
    "hectares": "ha",
    "hectare": "ha",
    "hektary": "ha",
    "sq.ft": "sq ft",
    "mtr": "m",
    "pulg": "in",
    "zoll": "in",
    "palce": "in",
    "pouces": "in",
    "st. c": "°C",
    "gr. c": "°C",
    "grad c": "°C",
    "mmol/1000g": "mmol/kg",
    "l/m2": "mm",
    "l/m²": "mm",
    "mm/h": "mm",
}
"""Spelling in lower case without final period -> spelling of the table of units; empty if it is ambiguous."""
SHORT_WORDS = {"k", "n", "c", "f", "d", "q", "in", "to", "mi", "ar", "are", "st", "vh", "tun", "proc", "grad", "ton"}
"""Spellings that at the end of a name, without brackets, may be words or symbols of elements."""


def read_unit(text: str, lexicon: Lexicon | None = None) -> str | None:
    """Return the code of a unit as written in a header; None if it is unknown or ambiguous.

    >>> read_unit("об/мин"), read_unit("Gew.-%"), read_unit("ton")
    ('rpm', 'pct', None)

    Args:
        text: the text.
        lexicon: vocabulary; with it, words of the trade after the unit are ignored, as in "mmol/kg beet".
    """
    plain = " ".join(text.strip(" []()\t").split())
    key = plain.casefold().rstrip(".")
    if key in SPELLINGS:
        return parse_unit(SPELLINGS[key]) if SPELLINGS[key] else None
    code = parse_unit(plain)
    if code is None:
        code = parse_unit(re.sub(r"\s*/\s*", "/", plain)) or parse_unit(plain.replace("⁻¹", "-1").replace("·", " "))
    if code is None and lexicon is not None and " " in plain:
        first, rest = plain.split(" ", 1)
        tokens = lexicon.tokens(rest)
        if tokens and all(t.concepts & {"root", "dirt", "net", "clean", "total"} for t in tokens):
            return read_unit(first)
    return code


def is_safe_word(text: str) -> bool:
    """Return True if a unit at the end of a name cannot be a word of it."""
    return text.casefold().strip(" .") not in SHORT_WORDS


def is_unit_row(rows: list[list[str]]) -> bool:
    """Return True if the first of some rows has the units of the columns.

    Half of its cells are units, or words above numbers in a row that is half empty.

    Args:
        rows: the row, and those below it.
    """
    row, below = rows[0], rows[1 : 1 + ROWS_BELOW]
    filled = [c for c in row if c and c not in {"-", "--"}]
    if not filled or any(is_number(c) for c in filled):
        return False
    if sum(read_unit(c) is not None for c in filled) >= max(1, len(filled) // 2):
        return True
    above = [[r[i] for r in below if i < len(r) and r[i]] for i, c in enumerate(row) if c in filled]
    is_above_numbers = bool(below) and all(cells and all(map(is_number, cells)) for cells in above)
    return is_above_numbers and 2 * len(filled) <= len(row) and max(map(len, filled)) <= UNIT_LETTERS
