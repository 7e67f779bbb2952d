"""Which column of ours a file's column means, by the words of its name."""

import re
import tomllib
import unicodedata
from dataclasses import dataclass
from difflib import SequenceMatcher
from functools import cache
from importlib.resources import files

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from transforms.contracts.units import SUFFIX_UNIT, unit_of_text

LEAST = 0.45
ALIKE, SHORT = 0.8, 3
"""Names are similar above this share of letters in common; shorter words than this are too short to tell."""
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


class NameIndex:
    """The names of a file's columns, prepared so that a phrase is compared only with those that may be like it."""

    def __init__(self, names: list[Name]) -> None:
        self.names = names
        whole = [tuple(plain_words(n.sources[0])) if len(n.sources) == 1 else n.words for n in names]
        readings = [(words, j) for j, n in enumerate(names) for words in {n.words, whole[j]}]
        self.words = [words for words, _ in readings]
        self.texts = [" ".join(words) for words in self.words]
        self.owners = np.array([j for _, j in readings], dtype=np.int64)
        self.with_word: dict[str, set[int]] = {}
        for i, words in enumerate(self.words):
            for word in words:
                self.with_word.setdefault(word, set()).add(i)
        self.letters = np.vstack([_letters(text) for text in self.texts]) if readings else np.zeros((0, 128), np.int32)
        self.lengths = np.array([len(text) for text in self.texts], dtype=np.int64)
        self.known: dict[str, dict[int, float]] = {}

    def likeness(self, phrase: str) -> dict[int, float]:
        """Return name -> how well a phrase fits it, 0 to 1; names that it does not fit are left out."""
        if phrase not in self.known:
            best: dict[int, float] = {}
            for i, score in [*self._contained(phrase), *self._similar(phrase)]:
                owner = int(self.owners[i])
                best[owner] = max(score, best.get(owner, 0.0))
            self.known[phrase] = best
        return self.known[phrase]

    def _contained(self, phrase: str) -> list[tuple[int, float]]:
        """Names that have all words of the phrase."""
        wanted = plain_words(phrase)
        if not wanted:
            return []
        having = sorted((self.with_word.get(w, set()) for w in wanted), key=len)
        found = set.intersection(*having)
        return [
            (i, 1.0 if list(self.words[i]) == wanted else 0.55 + 0.35 * len(wanted) / len(self.words[i])) for i in found
        ]

    def _similar(self, phrase: str) -> list[tuple[int, float]]:
        """Names written almost as the phrase; most are ruled out by the letters they share."""
        wanted = " ".join(plain_words(phrase))
        if not self.texts or min(len(wanted), len(phrase)) <= SHORT:
            return []
        shared = np.minimum(self.letters, _letters(wanted)).sum(axis=1)
        near = np.flatnonzero((2 * shared > ALIKE * (self.lengths + len(wanted))) & (self.lengths > SHORT))
        ratios = [(int(i), SequenceMatcher(None, self.texts[i], wanted).ratio()) for i in near]
        return [(i, 0.6 * ratio) for i, ratio in ratios if ratio > ALIKE]


def _letters(text: str) -> NDArray[np.int32]:
    """Return how often each character occurs in a plain text."""
    return np.bincount(np.frombuffer(text.encode(), np.uint8), minlength=128)[:128].astype(np.int32)


def match(index: NameIndex, kind: str, extra: dict[str, list[str]]) -> dict[str, tuple[Name, float, str]]:
    """Return column of ours -> (name, confidence, the phrase it was known by), each name used once.

    Args:
        index: the file's columns.
        kind: the kind of file.
        extra: more columns and their phrases: a workspace's own settings.
    """
    phrases = dict(known_names()[kind])
    for column, more in extra.items() if kind == "telemetry" else ():
        phrases[column] = [*phrases.get(column, []), *more]
    ours = list(phrases)
    scores = np.zeros((len(ours), len(index.names)))
    known: dict[tuple[int, int], tuple[float, str]] = {}
    for i, column in enumerate(ours):
        for phrase in [column, " ".join(plain_words(column)), *phrases[column]]:
            for j, score in index.likeness(phrase).items():
                known[i, j] = max(known.get((i, j), (0.0, "")), (score, phrase))
                scores[i, j] = known[i, j][0]
    rows, columns = linear_sum_assignment(-scores)
    return {
        ours[i]: (index.names[j], *known[i, j])
        for i, j in zip(rows.tolist(), columns.tolist(), strict=True)
        if scores[i, j] >= LEAST
    }
