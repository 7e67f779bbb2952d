"""Parsed column names: concepts, unit, time zone, and side of the machine."""

import itertools
import re
from dataclasses import dataclass

from transforms.contracts.units import SUFFIX_UNIT, UNITS
from transforms.ingest.propose.lexicon import COMPOUND, Lexicon, Token
from transforms.ingest.propose.unit_text import UNIT_LETTERS, is_safe_word, read_unit

BRACKETS = re.compile(r"\[([^\[\]]*)\]|\(([^()]*)\)|\{([^{}]*)\}|<([^<>]*)>")
ZONE = re.compile(r"(?<![A-Za-z])(?:UTC|GMT)\s*([+-]\d{1,2})?(?::?00)?(?![A-Za-z\d])", re.IGNORECASE)
CLASS = re.compile(
    r"(?:\d+(?:[.,]\d+)?\s*(?:[-–/]|bis|to|do|tot|a|à)\s*\d+|[<>≤≥]\s*=?\s*\d+|\d+\s*\+)\s*(?:cm|см)?", re.IGNORECASE
)
SHARE_OF = re.compile(r"%\s*(?:of|von|de|z|van|от|z)\s*(\d+(?:[.,]\d+)?)\s*([\w/]*)", re.IGNORECASE)
SIDES = ("left", "right")
MASSES = frozenset({"weight", "gross", "net", "tare"})
"""Concepts of masses; a unit of mass has the meaning of the word if a name has none of them."""


@dataclass(frozen=True)
class Name:
    """Parsed column name.

    Attributes:
        sources: columns of the file with this name: one, or left and right.
        tokens: words of the name without its unit and side.
        unit_text: unit in the name, as written; None if there is none.
        zone: time zone in the name, such as UTC; None if there is none.
        full_scale: value of 100 % in the name, such as 80 of "% of 80 rpm"; None if there is none.
    """

    sources: tuple[str, ...]
    tokens: tuple[Token, ...]
    unit_text: str | None = None
    zone: str | None = None
    full_scale: float | None = None

    def has(self, *concepts: str) -> bool:
        """Return True if a word of the name may mean one of the concepts."""
        return any(t.concepts & set(concepts) for t in self.tokens)


def parse_name(column: str, lexicon: Lexicon) -> Name:
    """Return the parsed name of a column.

    The unit is in brackets, after a comma, the last word, or a canonical suffix. A unit that bounds a class, as in
    "2-4 cm", is not the unit of the column. A unit of mass makes a weight of the name.
    """
    rest, zone = _take_zone(column)
    scale = SHARE_OF.search(rest)
    if scale is not None:
        rest = rest[: scale.start()] + " (%) " + rest[scale.end() :]
    rest, unit = _take_unit(rest, lexicon)
    tokens = tuple(lexicon.tokens(rest)) or tuple(lexicon.tokens(column))
    if tokens and zone is not None and not lexicon.tokens(rest):
        tokens = (Token("utc", frozenset({"utc", "time"}), 1.0),)
    if unit is not None and _is_mass(unit) and not any(t.concepts & MASSES for t in tokens):
        tokens = (*tokens, Token(unit, frozenset({"weight"}), COMPOUND))
    full_scale = None if scale is None else float(scale.group(1).replace(",", "."))
    return Name((column,), tokens, unit, zone, full_scale)


def _is_mass(unit: str) -> bool:
    code = read_unit(unit)
    return code is not None and UNITS[code].dimension == "mass"


def _take_zone(text: str) -> tuple[str, str | None]:
    """Return (name without its time zone, zone)."""
    found = ZONE.search(text)
    if found is None:
        return text, None
    hours = int(found.group(1) or 0)
    zone = "UTC" if hours == 0 else f"Etc/GMT{-hours:+d}"
    return text[: found.start()] + " " + text[found.end() :], zone


def _take_unit(text: str, lexicon: Lexicon) -> tuple[str, str | None]:
    """Return (name without its unit, unit as written)."""
    has_class = CLASS.search(text) is not None or _has_bound(text, lexicon)
    unit = None
    for found in list(BRACKETS.finditer(text))[::-1]:
        content = next(g for g in found.groups() if g is not None).strip()
        written = re.sub(r"^(?:in|en|w|v|в)\s+", "", content)
        if CLASS.fullmatch(content):
            continue
        if read_unit(written, lexicon) is not None or _looks_like_unit(written, lexicon):
            unit = unit or written
            text = text[: found.start()] + " " + text[found.end() :]
    if unit is not None:
        return text, unit
    rest, unit = _last_words(text, 2, has_class=has_class)
    if unit is not None:
        return rest, unit
    for suffix in sorted(SUFFIX_UNIT, key=len, reverse=True):
        is_bound = suffix == "_cm" and text[: -len(suffix)][-1:].isdigit()
        if text.casefold().endswith(suffix) and len(text) > len(suffix) and not has_class and not is_bound:
            return text[: -len(suffix)], SUFFIX_UNIT[suffix]
    return _last_word(text, has_class=has_class)


def _last_words(text: str, words: int, *, has_class: bool) -> tuple[str, str | None]:
    """Return (name without a unit of the given number of words at its end, unit as written)."""
    plain = text.strip().rstrip(".:")
    parts = re.split(r"(?:[\s,;_]+|(?<=\w)/(?=\w))", plain)
    last = " ".join(parts[-words:])
    written = re.search(r"[\s,;_/]+".join(map(re.escape, parts[-words:])) + "$", plain)
    if len(parts) <= words or written is None or last.isdigit():
        return text, None
    unit = next((u for u in (written.group(0), "/".join(parts[-words:]), last) if read_unit(u) is not None), None)
    is_marked = plain[written.start() - 1] in ",;_/"
    if unit is None or not (is_marked or is_safe_word(last)):
        return text, None
    is_class_bound = read_unit(unit) == "cm" and (has_class or plain[: written.start()].rstrip(" _")[-1:].isdigit())
    rest = plain[: written.start()].rstrip(" ,;_/-")
    return rest, None if is_class_bound else unit


def _last_word(text: str, *, has_class: bool) -> tuple[str, str | None]:
    """Return (name without a unit at its end, unit as written)."""
    rest, unit = _last_words(text, 1, has_class=has_class)
    if unit is not None or rest != text:
        return rest, unit
    plain = text.strip().rstrip(".:")
    for sign in ("%", "‰", "°C", "°F", "°"):
        if plain.endswith(sign):
            return plain.removesuffix(sign), sign
    if plain.startswith(("%", "‰")) and len(plain) > 1:
        return plain[1:], plain[0]
    if has_class:
        return re.sub(r"(?<=\d)\s*(?:cm|см)\b", " ", plain), None
    return text, None


def _has_bound(text: str, lexicon: Lexicon) -> bool:
    tokens = lexicon.tokens(text)
    return any(t.concepts & {"over", "under"} and b.text.isdigit() for t, b in itertools.pairwise(tokens))


def _looks_like_unit(text: str, lexicon: Lexicon) -> bool:
    """Return True for a short text without known words, which is probably a unit that is not in the table."""
    is_short = 0 < len(text) <= UNIT_LETTERS and not text.isdigit()
    return is_short and not any(t.concepts for t in lexicon.tokens(text)) and ZONE.fullmatch(text) is None


def parse_names(columns: list[str], lexicon: Lexicon) -> list[Name]:
    """Return the parsed names of the columns of a file; left and right columns are paired."""
    out: list[Name] = []
    halves: dict[tuple[tuple[str, ...], str | None], dict[str, Name]] = {}
    for name in (parse_name(c, lexicon) for c in columns):
        side = next((s for s in SIDES if len(name.tokens) > 1 and name.has(s)), None)
        if side is None:
            out.append(name)
            continue
        rest = tuple(t for t in name.tokens if side not in t.concepts)
        pair = halves.setdefault((tuple(t.text for t in rest), name.unit_text), {})
        pair.setdefault(side, name)
        if len(pair) == len(SIDES) and rest:
            both = (pair["left"].sources[0], pair["right"].sources[0])
            out.append(Name(both, rest, name.unit_text, name.zone, name.full_scale))
    paired = {s for n in out if len(n.sources) > 1 for s in n.sources}
    alone = [n for pair in halves.values() for n in pair.values() if n.sources[0] not in paired]
    return out + alone
