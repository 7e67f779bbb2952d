"""Isolation of right-to-left ids and names, so that they do not reorder the text around them.

An id is text from a file. In a sentence it is enclosed in U+2068 and U+2069 if it contains right-to-left letters.
Characters that override or embed a direction are shown as their code, because they could disguise one id as another.
"""

import re
import unicodedata

FIRST_STRONG_ISOLATE, POP_ISOLATE = "\u2068", "\u2069"
OVERRIDES = [*range(0x202A, 0x202F), 0x2066, 0x2067]
"""Embeddings, overrides and isolates that force a direction."""
_OVERRIDE = re.compile("[" + "".join(map(chr, OVERRIDES)) + "]")
_ISOLATES_SHOWN = {ord(c): f"\u27e8U+{ord(c):04X}\u27e9" for c in (FIRST_STRONG_ISOLATE, POP_ISOLATE)}
_WITHOUT_ISOLATES = {ord(c): None for c in (FIRST_STRONG_ISOLATE, POP_ISOLATE)}
RIGHT_TO_LEFT = {"R", "AL", "AN"}


def without_overrides(text: str) -> str:
    """Return a text with every character that forces a direction shown as its code."""
    return text if text.isascii() else _OVERRIDE.sub(lambda found: f"\u27e8U+{ord(found[0]):04X}\u27e9", text)


def without_isolates(text: str) -> str:
    """Return a generated text without isolates, for places that show it alone."""
    return text if text.isascii() else text.translate(_WITHOUT_ISOLATES)


def isolated(text: str) -> str:
    """Return a text that cannot reorder its surroundings: isolated if it contains right-to-left letters.

    >>> isolated("F012")
    'F012'
    """
    if text.isascii():
        return text
    text = without_overrides(text)
    if not _is_balanced(text):
        text = text.translate(_ISOLATES_SHOWN)
    return f"{FIRST_STRONG_ISOLATE}{text}{POP_ISOLATE}" if _has_open_right_to_left(text) else text


def _is_balanced(text: str) -> bool:
    depth = 0
    for c in text:
        depth += (c == FIRST_STRONG_ISOLATE) - (c == POP_ISOLATE)
        if depth < 0:
            return False
    return depth == 0


def _has_open_right_to_left(text: str) -> bool:
    """Return True if a right-to-left letter is outside every isolate."""
    depth = 0
    for c in text:
        depth += (c == FIRST_STRONG_ISOLATE) - (c == POP_ISOLATE)
        if depth == 0 and unicodedata.bidirectional(c) in RIGHT_TO_LEFT:
            return True
    return False
