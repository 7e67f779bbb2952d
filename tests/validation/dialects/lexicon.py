"""Header words of the trade in eight languages."""

import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from random import Random

LANGUAGES = ("de", "en", "fr", "pl", "nl", "es", "ru", "cs")
SET_ASIDE_SHARE = 0.6
"""Share of the columns of a set-aside office that have a name of its own list, if there is one."""


Sections = dict[str, dict[str, list[str]]]


@cache
def read_words(name: str) -> Sections:
    """Return the sections of a file of words."""
    path = Path(__file__).parent / "words" / f"{name}.toml"
    return tomllib.loads(path.read_text("utf-8"))


@dataclass(frozen=True)
class Lexicon:
    """Words of one office.

    Attributes:
        language: code of a language.
        is_set_aside: True for offices that may use the names set aside.
        rng: source of the draws.
    """

    language: str
    is_set_aside: bool
    rng: Random

    @property
    def is_second(self) -> bool:
        """True for offices of the group that was set aside second."""
        return False

    @property
    def sections(self) -> Sections:
        """All words of the language."""
        return read_words(self.language)

    def name(self, column: str) -> str:
        """Return a header for a table column."""
        sections = self.sections
        own = sections["set_aside"].get(column)
        if self.is_set_aside and own and self.rng.random() < SET_ASIDE_SHARE:
            return self.rng.choice(own)
        return self.rng.choice(sections["names"][column])

    def numbered_names(self, columns: list[str]) -> dict[str, str]:
        """Return headers of numbered columns, which are all of the same list and place: stage 1, stage 2."""
        sections = self.sections
        lists = sections["names"]
        if self.is_set_aside and columns[0] in sections["set_aside"] and self.rng.random() < SET_ASIDE_SHARE:
            lists = sections["set_aside"]
        place = self.rng.randrange(len(lists[columns[0]]))
        return {c: lists[c][place] for c in columns}

    def word(self, key: str) -> str:
        """Return a word that cells, titles or file names contain."""
        return self.rng.choice(self.sections["words"][key])

    def pair(self, one: str, other: str) -> tuple[str, str]:
        """Return two words that belong together, such as ja and nein, or J and N."""
        words = self.sections["words"]
        return self.rng.choice(list(zip(words[one], words[other], strict=False)))

    def group(self, key: str) -> str:
        """Return a header above several columns."""
        return self.rng.choice(self.sections["groups"][key])

    def unneeded(self, key: str) -> str:
        """Return a header of a column that nobody needs."""
        return self.rng.choice(self.sections["extras"][key])

    def cancel_mark(self) -> str:
        """Return the sign of a cancelled ticket, where no sign means a valid one."""
        return "x"

    def sheet(self, kind: str, number: int) -> str:  # noqa: ARG002 - for sheets with the name that a program gives
        """Return the name of a sheet, the given one of its workbook."""
        return self.word(kind)
