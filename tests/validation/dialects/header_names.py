"""Headers in the forms that databases and terminals give to names."""

import unicodedata

_LATIN = str.maketrans(
    {"ł": "l", "Ł": "L", "ß": "ss", "ä": "ae", "ö": "oe", "ü": "ue", "Ä": "Ae", "Ö": "Oe", "Ü": "Ue"}
)
_SIGNS = {"%": "Pct", "°": "Deg", "/": "", "²": "2"}


def snake(text: str) -> str:
    """Return a text in lower case without accents, words joined by underscores."""
    plain = unicodedata.normalize("NFKD", text.casefold().replace("ł", "l").replace("°c", "c").replace("°f", "f"))
    kept = "".join(c if c.isalnum() else " " for c in plain if not unicodedata.combining(c))
    return "_".join(kept.split())


def camel(name: str, unit: str) -> str:
    """Return a name without blanks, each word with a capital, and its unit after an underscore."""
    joined = ""
    for word in _words(name):
        between = "_" if joined[-1:].isdigit() and word[0].isdigit() else ""
        joined += between + word[0].upper() + word[1:]
    return f"{joined}_{_unit_word(unit)}" if unit else joined


def database(name: str, unit: str) -> str:
    """Return a name in capitals joined by underscores, and its unit at the end."""
    words = _words(name) + ([_unit_word(unit)] if unit else [])
    return "_".join(words).upper()


def _words(text: str) -> list[str]:
    """Return the words of a text; Latin letters lose their accents, others keep theirs."""
    folded = "".join(_without_accent(c) for c in text.translate(_LATIN))
    return "".join(c if c.isalnum() else " " for c in folded).split()


def _without_accent(letter: str) -> str:
    return unicodedata.normalize("NFD", letter)[0] if unicodedata.name(letter, "").startswith("LATIN") else letter


def _unit_word(unit: str) -> str:
    written = "".join(_SIGNS.get(c, c) for c in unit)
    return "".join(c for c in written if c.isalnum())
