"""Words for the uptake of advised changes, and for the reasons why it is unknown."""

from reports.language.display_units import number
from reports.language.translate import mark, say

UPTAKE = {
    "followed": mark("made"),
    "partly": mark("made in part"),
    "not": mark("not made"),
    "opposite": mark("made the other way"),
    "unknown": mark("cannot be judged"),
}
"""Code of `advice_uptake` -> word; texts, tables and charts share the code."""
WHY_UNKNOWN = {
    "no_log": mark("no log of the machine"),
    "no_reading": mark("no reading of the setting"),
    "other_field": mark("worked in another field"),
    "other_conditions": mark("topsoil in another class than advised for"),
}
"""Reason of an unknown uptake -> words."""


def uptake_word(code: str) -> str:
    """Return the uptake of a change in a word, in the page's language.

    >>> uptake_word("partly")
    'made in part'
    """
    return say(UPTAKE[code])


def otherwise_made_words(partly: int, opposite: int) -> list[str]:
    """Return sentences on the changes made in part and made the other way; none for a number of 0."""
    texts = []
    if partly:
        texts.append(say("{n} in part.", n=number(partly, 0)))
    if opposite:
        texts.append(say("{n} the other way.", n=number(opposite, 0)))
    return texts


def unknown_words(code: str | None) -> str:
    """Return the reason why the uptake of a change is unknown; empty if it is known."""
    return say(WHY_UNKNOWN[code]) if code in WHY_UNKNOWN else ""
