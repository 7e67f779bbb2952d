"""Words of flags in the languages of exports: yes and no, forward and reverse."""

import tomllib
from functools import cache
from importlib.resources import files

import dataframely as dy

from transforms.contracts.setting_columns import SettingsByName

NUMBER_FLAGS = ("unloading",)
"""Columns of numbers that are flags, in addition to the settings that are."""


@cache
def flag_words(column: str) -> dict[str, bool]:
    """Return word -> meaning for a flag; directions are words of columns with "revers" or "forward" in their name.

    >>> flag_words("cancelled")["nein"], flag_words("rear_roller_reversed")["fwd"]
    (False, False)
    >>> "fwd" in flag_words("cancelled")
    False
    """
    table = tomllib.loads(files("transforms.contracts").joinpath("flag_words.toml").read_text("utf-8"))
    meanings = {"yes": True, "no": False}
    if "revers" in column or "forward" in column:
        meanings |= {"forward": "forward" in column, "reverse": "forward" not in column}
    return {w: meaning for name, meaning in meanings.items() for words in table[name].values() for w in words}


def is_flag(column: str, contract: dy.Column | None, catalogue: SettingsByName) -> bool:
    """Return True if a column of a table is a flag: true or false, or 1 or 0."""
    own = catalogue.get(column)
    return isinstance(contract, dy.Bool) or column in NUMBER_FLAGS or (own is not None and own.is_flag)


def parse_flag(value: object, column: str) -> bool | None:
    """Return the meaning of a flag as people write it; None if it is not known.

    >>> parse_flag(" Nein ", "cancelled")
    False
    """
    if isinstance(value, bool):
        return value
    return flag_words(column).get(str(value).strip(" .").lower())
