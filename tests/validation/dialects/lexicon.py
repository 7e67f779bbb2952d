"""Header words of the trade in eight languages."""

import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from random import Random

LANGUAGES = ("de", "en", "fr", "pl", "nl", "es", "ru", "cs")
SET_ASIDE_SHARE = 0.6
"""Share of the columns of a set-aside office that have a name of its own list, if there is one."""


@cache
def _sections(language: str) -> dict[str, dict[str, list[str]]]:
    path = Path(__file__).parent / "words" / f"{language}.toml"
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

    def name(self, column: str) -> str:
        """Return a header for a table column."""
        sections = _sections(self.language)
        own = sections["set_aside"].get(column)
        if self.is_set_aside and own and self.rng.random() < SET_ASIDE_SHARE:
            return self.rng.choice(own)
        return self.rng.choice(sections["names"][column])

    def numbered_names(self, columns: list[str]) -> dict[str, str]:
        """Return headers of numbered columns, which are all of the same list and place: stage 1, stage 2."""
        sections = _sections(self.language)
        lists = sections["names"]
        if self.is_set_aside and columns[0] in sections["set_aside"] and self.rng.random() < SET_ASIDE_SHARE:
            lists = sections["set_aside"]
        place = self.rng.randrange(len(lists[columns[0]]))
        return {c: lists[c][place] for c in columns}

    def word(self, key: str) -> str:
        """Return a word that cells, titles or file names contain."""
        return self.rng.choice(_sections(self.language)["words"][key])

    def pair(self, one: str, other: str) -> tuple[str, str]:
        """Return two words that belong together, such as ja and nein, or J and N."""
        words = _sections(self.language)["words"]
        return self.rng.choice(list(zip(words[one], words[other], strict=False)))

    def group(self, key: str) -> str:
        """Return a header above several columns."""
        return self.rng.choice(_sections(self.language)["groups"][key])

    def unneeded(self, key: str) -> str:
        """Return a header of a column that nobody needs."""
        return self.rng.choice(_sections(self.language)["extras"][key])
