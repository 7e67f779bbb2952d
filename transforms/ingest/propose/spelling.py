"""Normalized spelling of words: no accents, lower case, Latin letters, one form of common transliterations."""

import re
import unicodedata
from functools import cache

CYRILLIC = dict(
    zip(
        "абвгдеёжзийклмнопрстуфхцчшщъыьэюяіїєґ",
        "a b v g d e e zh z i i k l m n o p r s t u f h c ch sh sh . i . e iu ia i i e g".split(),
        strict=True,
    )
)
LETTERS = str.maketrans(
    {**{k: v.replace(".", "") for k, v in CYRILLIC.items()}, "ł": "l", "ø": "o", "đ": "d", "æ": "a", "œ": "o", "ß": "ss"}
)
FOLDS = (
    ("kh", "h"),
    ("shch", "sh"),
    ("sch", "sh"),
    ("tz", "c"),
    ("ts", "c"),
    ("j", "i"),
    ("y", "i"),
    ("ae", "a"),
    ("oe", "o"),
    ("ue", "u"),
)
"""Spellings of the same sound in transliterations, and of umlauts without dots; applied to the vocabulary as well."""
SIGNS = {
    "≥": " over ",
    ">": " over ",
    "+": " over ",
    "≤": " under ",
    "<": " under ",
    "№": " number ",
    "#": " number ",
    "ø": " mean ",
    "Ø": " mean ",
    "α": " alpha ",
    "²": "2",
    "³": "3",
}
CAMEL = re.compile(r"(?<=[a-zà-ÿ])(?=[A-ZÀ-Þ])|(?<=[A-ZÀ-Þ])(?=[A-ZÀ-Þ][a-zà-ÿ])")
PIECES = re.compile(r"\d+|[^\W\d_]+\.?")


@cache
def fold(word: str) -> str:
    """Return the normalized spelling of one word.

    >>> fold("Wiegeschein"), fold("Länge"), fold("Rueben"), fold("масса")
    ('wiegeshein', 'lange', 'ruben', 'massa')
    """
    lower = word.casefold().translate(LETTERS)
    flat = unicodedata.normalize("NFKD", lower).encode("ascii", "ignore").decode()
    for spelling, sound in FOLDS:
        flat = flat.replace(spelling, sound)
    return flat


def split_words(text: str) -> list[str]:
    """Return the words of a name as written: camel case, digits and signs are split; a period of an abbreviation stays.

    >>> split_words("GroundSpeed_2 [km/h]")
    ['Ground', 'Speed', '2', 'km', 'h']
    """
    for sign, word in SIGNS.items():
        text = text.replace(sign, word)
    return PIECES.findall(CAMEL.sub(" ", unicodedata.normalize("NFC", text)))
