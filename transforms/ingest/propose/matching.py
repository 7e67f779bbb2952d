"""Matching of file columns to table columns by the words in their names."""

import re
import tomllib
import unicodedata
from dataclasses import dataclass
from difflib import SequenceMatcher
from functools import cache
from importlib.resources import files
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from transforms.contracts.units import SUFFIX_UNIT, parse_unit

MIN_SCORE = 0.45
MIN_SIMILARITY, SHORT_LETTERS = 0.8, 3
"""Minimum share of common letters of similar names; words of at most this many letters are not compared."""
DOUBTFUL = 0.7
"""Maximum confidence of a match by a word that means one weight at a weighbridge and another in the beet trade."""
WEIGHBRIDGE, TRADE = "load_at_weighbridge", "load_in_trade"
BRACKETED = re.compile(r"[\[(]([^\])]*)[\])]")
NUMBERED = re.compile(r"(?<=[a-z])(?=\d)|(?<=\d)(?=[a-z])")


@cache
def known_names() -> dict[str, dict[str, list[str]]]:
    """Return the words of `names.toml`: section -> column -> phrases."""
    return tomllib.loads(files(__package__).joinpath("names.toml").read_text("utf-8"))


@dataclass(frozen=True)
class Name:
    """Parsed column name.

    Attributes:
        sources: columns of the file with this name: one, or left and right.
        words: normalized words of the name.
        unit_text: unit in the name, as written; None if there is none.
    """

    sources: tuple[str, ...]
    words: tuple[str, ...]
    unit_text: str | None


def plain_words(text: str) -> list[str]:
    """Return the normalized words of a name: no accents, lower case, camel case and numbers split.

    >>> plain_words("Ground speed [km/h]")
    ['ground', 'speed', 'km', 'h']
    """
    spaced = re.sub(r"(?<=[a-zà-ÿ])(?=[A-Z])", " ", text)
    flat = unicodedata.normalize("NFKD", spaced).encode("ascii", "ignore").decode().casefold()
    return NUMBERED.sub(" ", re.sub(r"[^a-z0-9]+", " ", flat)).split()


def parse_column_name(column: str) -> Name:
    """Parse a column name into words and a unit: in brackets, as the last word, or as a canonical suffix."""
    bracket = BRACKETED.search(column)
    rest, unit = BRACKETED.sub(" ", column), bracket.group(1).strip() if bracket else None
    if unit is None:
        for suffix in sorted(SUFFIX_UNIT, key=len, reverse=True):
            if rest.casefold().endswith(suffix) and len(rest) > len(suffix):
                rest, unit = rest[: -len(suffix)], SUFFIX_UNIT[suffix]
                break
    if unit is None:
        parts = re.split(r"[\s,/_]+(?=[^\s,_]+$)", rest.strip(), maxsplit=1)
        if len(parts) == 2 and parts[1] and parse_unit(parts[1]) is not None and not parts[1].isdigit():
            rest, unit = parts
        elif rest.strip().endswith("%"):
            rest, unit = rest.strip()[:-1], "%"
    return Name((column,), tuple(plain_words(rest)) or tuple(plain_words(column)), unit)


def parse_column_names(columns: list[str]) -> list[Name]:
    """Return the parsed names of the columns of a file; left and right columns are paired."""
    sides = known_names()["words"]
    out: list[Name] = []
    halves: dict[tuple[tuple[str, ...], str | None], dict[str, Name]] = {}
    for column in columns:
        name = parse_column_name(column)
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
    """Search index of the column names of a file, which limits comparisons to possibly similar names."""

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
        """Return the similarity, 0 to 1, of a phrase to each name by its index; dissimilar names are omitted."""
        if phrase not in self.known:
            best: dict[int, float] = {}
            for i, score in [*self._contained(phrase), *self._similar(phrase)]:
                owner = int(self.owners[i])
                best[owner] = max(score, best.get(owner, 0.0))
            self.known[phrase] = best
        return self.known[phrase]

    def _contained(self, phrase: str) -> list[tuple[int, float]]:
        """Return (index, score) of names that contain all words of the phrase."""
        wanted = plain_words(phrase)
        if not wanted:
            return []
        candidates = sorted((self.with_word.get(w, set()) for w in wanted), key=len)
        found = set.intersection(*candidates)
        return [
            (i, 1.0 if list(self.words[i]) == wanted else 0.55 + 0.35 * len(wanted) / len(self.words[i])) for i in found
        ]

    def _similar(self, phrase: str) -> list[tuple[int, float]]:
        """Return (index, score) of names with almost the same letters; counts of common letters exclude most names."""
        wanted = " ".join(plain_words(phrase))
        if not self.texts or min(len(wanted), len(phrase)) <= SHORT_LETTERS:
            return []
        shared = np.minimum(self.letters, _letters(wanted)).sum(axis=1)
        near = np.flatnonzero(
            (2 * shared > MIN_SIMILARITY * (self.lengths + len(wanted))) & (self.lengths > SHORT_LETTERS)
        )
        ratios = [(int(i), SequenceMatcher(None, self.texts[i], wanted).ratio()) for i in near]
        return [(i, 0.6 * ratio) for i, ratio in ratios if ratio > MIN_SIMILARITY]


def _letters(text: str) -> NDArray[np.int32]:
    """Return the number of occurrences of each ASCII character in a text."""
    return np.bincount(np.frombuffer(text.encode(), np.uint8), minlength=128)[:128].astype(np.int32)


class Match(NamedTuple):
    """Match of a file column: its name, the confidence from 0 to 1, and the phrase; None if the user named it."""

    name: Name
    confidence: float
    phrase: str | None


def match(index: NameIndex, kind: str, extra: dict[str, list[str]]) -> dict[str, Match]:
    """Return the match of each table column, using each name at most once.

    Args:
        index: the columns of the file.
        kind: kind of file.
        extra: additional columns and their phrases, such as settings that the workspace adds.
    """
    if kind != "load":
        return _assign(index, _phrases(kind, extra), {})
    readings = [_assign(index, _phrases(kind, extra), known_names()[reading]) for reading in (WEIGHBRIDGE, TRADE)]
    return readings[0] if "truck_empty_t" in readings[0] else readings[1]


def _phrases(kind: str, extra: dict[str, list[str]]) -> dict[str, list[str]]:
    phrases = dict(known_names()[kind])
    for column, more in extra.items() if kind == "telemetry" else ():
        phrases[column] = [*phrases.get(column, []), *more]
    return phrases


def _assign(index: NameIndex, phrases: dict[str, list[str]], doubtful: dict[str, list[str]]) -> dict[str, Match]:
    """Return the assignment of names to columns with the best sum of scores; `doubtful` phrases never score high."""
    targets = list(phrases)
    scores = np.zeros((len(targets), len(index.names)))
    known: dict[tuple[int, int], tuple[float, str]] = {}
    for i, column in enumerate(targets):
        sure = [column, " ".join(plain_words(column)), *phrases[column]]
        unsure = doubtful.get(column, [])
        for phrase, most in [*((p, 1.0) for p in sure), *((p, DOUBTFUL) for p in unsure)]:
            for j, score in index.likeness(phrase).items():
                known[i, j] = max(known.get((i, j), (0.0, "")), (min(score, most), phrase))
                scores[i, j] = known[i, j][0]
    rows, columns = linear_sum_assignment(-scores)
    return {
        targets[i]: Match(index.names[j], *known[i, j])
        for i, j in zip(rows.tolist(), columns.tolist(), strict=True)
        if scores[i, j] >= MIN_SCORE
    }


def is_doubtful_weight(phrase: str | None) -> bool:
    """Return True if a phrase means one weight at a weighbridge and another in the beet trade."""
    return any(phrase in phrases for reading in (WEIGHBRIDGE, TRADE) for phrases in known_names()[reading].values())
