"""Which column of ours a file's column means, by the words of its name."""

import re
import tomllib
import unicodedata
from dataclasses import dataclass
from difflib import SequenceMatcher
from functools import cache
from importlib.resources import files

import numpy as np
from scipy.optimize import linear_sum_assignment

from transforms.units import SUFFIX_UNIT, unit_of_text

LEAST = 0.45
BRACKETED = re.compile(r"[\[(]([^\])]*)[\])]")
NUMBERED = re.compile(r"(?<=[a-z])(?=\d)|(?<=\d)(?=[a-z])")


@cache
def known_names() -> dict[str, dict[str, list[str]]]:
    """Return the words of `names.toml`: section -> column -> phrases."""
    return tomllib.loads(files(__package__).joinpath("names.toml").read_text("utf-8"))


@dataclass(frozen=True)
class Name:
    """A column's name taken apart.

    Attributes:
        sources: the file's columns it stands for: one, or left and right.
        words: its words, plain.
        unit_text: a unit that stands in it, as written.
    """

    sources: tuple[str, ...]
    words: tuple[str, ...]
    unit_text: str | None


def plain_words(text: str) -> list[str]:
    """Return a name's words: no accents, no case, camel case and numbers taken apart."""
    apart = re.sub(r"(?<=[a-zà-ÿ])(?=[A-Z])", " ", text)
    flat = unicodedata.normalize("NFKD", apart).encode("ascii", "ignore").decode().casefold()
    return NUMBERED.sub(" ", re.sub(r"[^a-z0-9]+", " ", flat)).split()


def take_apart(column: str) -> Name:
    """Split a column's name into words and the unit in it: in brackets, as its last word, or as a suffix of ours."""
    bracket = BRACKETED.search(column)
    rest, unit = BRACKETED.sub(" ", column), bracket.group(1).strip() if bracket else None
    if unit is None:
        for suffix in sorted(SUFFIX_UNIT, key=len, reverse=True):
            if rest.casefold().endswith(suffix) and len(rest) > len(suffix):
                rest, unit = rest[: -len(suffix)], SUFFIX_UNIT[suffix]
                break
    if unit is None:
        parts = re.split(r"[\s,/_]+(?=[^\s,_]+$)", rest.strip(), maxsplit=1)
        if len(parts) == 2 and parts[1] and unit_of_text(parts[1]) is not None and not parts[1].isdigit():
            rest, unit = parts
        elif rest.strip().endswith("%"):
            rest, unit = rest.strip()[:-1], "%"
    return Name((column,), tuple(plain_words(rest)) or tuple(plain_words(column)), unit)


def paired(columns: list[str]) -> list[Name]:
    """Return the names of a file's columns, with left and right ones as one."""
    sides = known_names()["words"]
    out: list[Name] = []
    halves: dict[tuple[tuple[str, ...], str | None], dict[str, Name]] = {}
    for column in columns:
        name = take_apart(column)
        side = next((s for s in ("left", "right") if set(name.words) & set(sides[s]) and len(name.words) > 1), None)
        if side is None:
            out.append(name)
            continue
        rest = tuple(w for w in name.words if w not in sides[side])
        pair = halves.setdefault((rest, name.unit_text), {})
        pair[side] = name
        if len(pair) == 2:
            out.append(Name((pair["left"].sources[0], pair["right"].sources[0]), rest, name.unit_text))
    alone = [n for pair in halves.values() if len(pair) == 1 for n in pair.values()]
    return out + alone


def likeness(words: tuple[str, ...], phrase: str) -> float:
    """How well a column's words fit a phrase, 0 to 1."""
    wanted = plain_words(phrase)
    have = list(words)
    if have == wanted:
        return 1.0
    if all(w in have for w in wanted):
        return 0.55 + 0.35 * len(wanted) / len(have)
    ratio = SequenceMatcher(None, " ".join(have), " ".join(wanted)).ratio()
    return 0.6 * ratio if ratio > 0.8 and min(map(len, (" ".join(have), phrase))) > 3 else 0.0


def match(names: list[Name], kind: str, extra: dict[str, list[str]]) -> dict[str, tuple[Name, float, str]]:
    """Return column of ours -> (name, confidence, the phrase it was known by), each name used once.

    Args:
        names: the file's columns.
        kind: the kind of file.
        extra: more columns and their phrases: a workspace's own settings.
    """
    phrases = dict(known_names()[kind])
    for column, more in extra.items() if kind == "telemetry" else ():
        phrases[column] = [*phrases.get(column, []), *more]
    ours = list(phrases)
    scores = np.zeros((len(ours), len(names)))
    known: dict[tuple[int, int], str] = {}
    for i, column in enumerate(ours):
        own = [column, " ".join(plain_words(column)), *phrases[column]]
        for j, name in enumerate(names):
            whole = tuple(plain_words(name.sources[0])) if len(name.sources) == 1 else name.words
            best = max((max(likeness(name.words, p), likeness(whole, p)), p) for p in own)
            scores[i, j], known[i, j] = best
    rows, columns = linear_sum_assignment(-scores)
    return {
        ours[i]: (names[j], float(scores[i, j]), known[i, j])
        for i, j in zip(rows.tolist(), columns.tolist(), strict=True)
        if scores[i, j] >= LEAST
    }
