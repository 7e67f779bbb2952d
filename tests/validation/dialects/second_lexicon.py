"""Words of the offices that were set aside second."""

from collections import ChainMap
from dataclasses import dataclass

from tests.validation.dialects.lexicon import Lexicon, Sections, read_words

DEFAULT_SHEET_SHARE = 0.3


@dataclass(frozen=True)
class SecondLexicon(Lexicon):
    """Words of one office, or of its terminals.

    Attributes:
        overlay: file of words that replace those of the language: `us`, `technical`, or none.
    """

    overlay: str = ""

    @property
    def is_second(self) -> bool:
        """True for offices of the group that was set aside second."""
        return True

    @property
    def sections(self) -> Sections:
        """All words of the language, with those of the overlay; no names are for some of the offices only."""
        words = read_words(f"second_set_aside/{self.language}")
        over = read_words(f"second_set_aside/{self.overlay}") if self.overlay else {}
        return {"set_aside": {}, **{s: dict(ChainMap(over.get(s, {}), words[s])) for s in words}}

    def unit_pattern(self) -> str:
        """Return a pattern of a header with a unit."""
        return self.rng.choice(self.sections["unit_patterns"]["header"])

    def cancel_mark(self) -> str:
        """Return the sign of a cancelled ticket, where no sign means a valid one."""
        return self.word("cancel_mark")

    def sheet(self, kind: str, number: int) -> str:
        """Return the name of a sheet, which may be the one that a program gives."""
        return f"{self.word('sheet')}{number}" if self.rng.random() < DEFAULT_SHEET_SHARE else self.word(kind)
