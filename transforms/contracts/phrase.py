"""English texts with values to insert, kept apart so that the edge can translate the text."""

from typing import Any, Self


class Phrase(str):
    """A sentence or part of one; as a string, it is the English text with its values inserted.

    Attributes:
        text: the English text, with the names of values in braces.
        values: the values; a value may be a phrase itself.
    """

    __slots__ = ("text", "values")
    text: str
    values: dict[str, Any]

    def __new__(cls, text: str, /, **values: Any) -> Self:
        """Return a phrase."""
        made = super().__new__(cls, text.format(**values) if values else text)
        made.text, made.values = text, values
        return made

    def __getnewargs_ex__(self) -> tuple[tuple[str], dict[str, Any]]:
        """Keep text and values apart when the phrase is pickled."""
        return (self.text,), self.values


def phrase(text: str, /, **values: Any) -> Phrase:
    """Return a phrase; the call marks its text for the catalogue.

    >>> phrase("give it {expected}", expected=phrase("a number"))
    'give it a number'
    """
    return Phrase(text, **values)
