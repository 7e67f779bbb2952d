"""Escaping of text from files, so that it cannot act as control codes of a terminal."""

import unicodedata

UNPRINTABLE = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
"""Unicode categories that move the cursor, change colours or direction, or have no glyph."""


def printable(text: str) -> str:
    """Return text with every character that would control a terminal replaced by its escape code."""
    if text.isascii() and text.isprintable():
        return text
    return "".join(_escape(c) if unicodedata.category(c) in UNPRINTABLE else c for c in text)


def _escape(character: str) -> str:
    return character.encode("unicode_escape", "surrogatepass").decode("ascii")
