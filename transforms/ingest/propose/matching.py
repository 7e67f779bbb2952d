"""Matching of a file's columns to table columns by names, units and values."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import NamedTuple

import numpy as np
from scipy.optimize import linear_sum_assignment

from transforms.ingest.propose.header import Name
from transforms.ingest.propose.lexicon import Lexicon
from transforms.ingest.propose.plausible import Evidence

MIN_CONFIDENCE = 0.45
"""Minimum confidence of a match that is proposed at all."""
WEAK = 0.7
"""Highest confidence of a weak phrase without other evidence."""
SOLE = 0.97
"""Confidence of a weak phrase if the values support it and no other column of the file could be meant."""
CLOSE = 0.8
"""A rival of at least this share of a match's confidence makes the match uncertain."""
GUESSED, MIN_OVERLAP = 0.5, 0.5
"""Confidence of a guess from a part of a phrase; the least part."""
GENERAL = {"speed", "height", "count", "weight", "date", "time", "number", "root", "mean", "total", "length", "area"}
"""Concepts that many columns share."""
NEUTRAL = {
    "number": 0.97,
    "actual": 0.97,
    "mean": 0.95,
    "total": 0.9,
    "lab": 0.95,
    "utc": 1.0,
    "local": 1.0,
    "name": 0.9,
}
"""Concept that a phrase does not name -> factor; it changes the meaning little."""
CONTRARY = {
    "target",
    "planned",
    "maximum",
    "minimum",
    "gust",
    "direction",
    "price",
    "remark",
    "line",
    "until",
    "external",
}
"""Concepts that make another quantity of a name."""
CONTRARY_FACTOR, KNOWN_FACTOR, UNKNOWN_FACTOR, AMBIGUOUS_FACTOR = 0.3, 0.6, 0.88, 0.985
"""Factors for words of a name that the phrase does not name: contrary, of another concept, unknown; and for a word with
several meanings (common practice, no source)."""


@dataclass(frozen=True)
class Phrase:
    """Phrase of concepts: those that a name must contain, and those that it may contain."""

    needed: tuple[str, ...]
    allowed: frozenset[str]
    is_weak: bool
    text: str


class Match(NamedTuple):
    """Match of a file column: its name, the confidence from 0 to 1, and the phrase; None if the user named it."""

    name: Name
    confidence: float
    phrase: str | None
    rivals: tuple[str, ...] = ()


def parse_phrase(text: str, lexicon: Lexicon) -> Phrase:
    """Return a phrase of `names.toml`; words that are no concepts are looked up, and else mean themselves."""
    is_weak = text.startswith("~")
    plain = text.removeprefix("~")
    inner = " ".join(re.findall(r"\(([^)]*)\)", plain))
    needed = [c for word in re.sub(r"\([^)]*\)", " ", plain).split() for c in _concepts(word, lexicon)]
    return Phrase(tuple(needed), frozenset(inner.split()), is_weak, " ".join(needed))


def _concepts(word: str, lexicon: Lexicon) -> list[str]:
    """Return the concept of a word of a phrase; several for a compound."""
    if word in lexicon.concepts or word.isdigit():
        return [word]
    return [min(t.concepts) if t.concepts else t.text for t in lexicon.tokens(word)]


def phrases_of(lexicon: Lexicon, kind: str, extra: tuple[tuple[str, str], ...]) -> dict[str, list[Phrase]]:
    """Return the phrases of each column of a kind; the column's own name is one of them."""
    texts = {c: list(p) for c, p in lexicon.sections.get(kind, {}).items()}
    for column, label in extra if kind == "telemetry" else ():
        texts.setdefault(column, []).append(label)
    return {c: [parse_phrase(p, lexicon) for p in phrases] for c, phrases in texts.items()}


def likeness(name: Name, phrase: Phrase) -> float:
    """Return the similarity of a name and a phrase from 0 to 1; 0 if the name lacks a concept of the phrase."""
    left = list(name.tokens)
    score = 1.0
    for concept in phrase.needed:
        fitting = [t for t in left if concept in t.concepts or (not t.concepts and t.text == concept)]
        if not fitting:
            return 0.0
        best = max(fitting, key=lambda t: (t.quality, -len(t.concepts)))
        left.remove(best)
        score *= best.quality or 1.0
        score *= AMBIGUOUS_FACTOR if len(best.concepts) > 1 and len(name.tokens) == 1 else 1.0
    repeated = set(phrase.needed)
    for token in left:
        if token.concepts & (phrase.allowed | repeated):
            score *= token.quality
        elif not token.concepts:
            score *= UNKNOWN_FACTOR
        else:
            score *= max(NEUTRAL.get(c, CONTRARY_FACTOR if c in CONTRARY else KNOWN_FACTOR) for c in token.concepts)
    return score


@dataclass(frozen=True)
class Candidate:
    """Possible match of a table column and a file column; `strength` is its confidence without support by values."""

    confidence: float
    strength: float
    is_weak: bool
    supports: bool
    phrase: str


def _candidate(
    name: Name, column: str, phrases: list[Phrase], weigh: Callable[[str, Name], Evidence]
) -> Candidate | None:
    """Return the best match of a name with the phrases of a column, weighed by its values; None if there is none."""
    scored = [(likeness(name, p), not p.is_weak, len(p.needed), p) for p in phrases]
    own = name.sources[0].strip().casefold() == column.casefold()
    score, _, _, best = max(
        scored, key=lambda s: (s[0] * (WEAK if not s[1] else 1.0), s[2]), default=(0.0, True, 0, None)
    )
    if own:
        score, best = 1.0, Phrase((), frozenset(), is_weak=False, text=column)
    if best is None or score <= 0.2:
        return None
    evidence = weigh(column, name)
    if not evidence.factor:
        return None
    confidence = score * evidence.factor * (WEAK if best.is_weak else 1.0)
    strength = confidence
    if evidence.supports and not best.is_weak:
        confidence = 1 - 0.5 * (1 - confidence)
    return Candidate(min(confidence, 0.99), strength, best.is_weak, evidence.supports, best.text)


def match(
    names: list[Name], phrases: dict[str, list[Phrase]], weigh: Callable[[str, Name], Evidence]
) -> dict[str, Match]:
    """Return the match of each table column, using each name at most once.

    Args:
        names: the columns of the file.
        phrases: phrases of each table column.
        weigh: evidence of the values for a table column and a name.
    """
    targets = list(phrases)
    by_concept = _names_by_concept(names)
    found: dict[tuple[int, int], Candidate] = {}
    for i, column in enumerate(targets):
        possible = {j for p in phrases[column] for j in by_concept.get(p.needed[0] if p.needed else "", set())}
        for j in possible | by_concept.get(f"={column}", set()):
            candidate = _candidate(names[j], column, phrases[column], weigh)
            if candidate is not None:
                found[i, j] = candidate
    if not found:
        return {}
    scores = np.zeros((len(targets), len(names)))
    for (i, j), candidate in found.items():
        scores[i, j] = candidate.confidence
    rows, columns = linear_sum_assignment(-(scores**2))
    chosen = {(i, j) for i, j in zip(rows.tolist(), columns.tolist(), strict=True) if scores[i, j] > 0}
    settled = {targets[i]: _settled(i, j, found, chosen, names) for i, j in sorted(chosen)}
    return {c: m for c, m in settled.items() if m.confidence >= MIN_CONFIDENCE}


def guess_rest(
    names: list[Name],
    phrases: dict[str, list[Phrase]],
    weigh: Callable[[str, Name], Evidence],
    matched: dict[str, Match],
) -> dict[str, Match]:
    """Return guesses for columns without a match that share a concept with a phrase, and whose values support it.

    The confidence is so low that each is asked about. A name with a concept of another subject, such as the engine, is
    left alone.

    Args:
        names: the columns of the file.
        phrases: phrases of each table column.
        weigh: evidence of the values for a table column and a name.
        matched: the matches so far.
    """
    used = {s for m in matched.values() for s in m.name.sources}
    subjects = {c for ps in phrases.values() for p in ps for c in (*p.needed, *p.allowed)} | NEUTRAL.keys()
    out: dict[str, Match] = {}
    for name in names:
        is_foreign = any(t.concepts and not t.concepts & subjects for t in name.tokens)
        if used & set(name.sources) or is_foreign or name.has(*CONTRARY):
            continue
        shares = {c: max(map(partial(_overlap, name), ps)) for c, ps in phrases.items() if c not in {*matched, *out}}
        column = max(shares, key=lambda c: shares[c], default="")
        if column and shares[column] > 0 and weigh(column, name).supports:
            out[column] = Match(name, GUESSED, next(iter(phrases[column])).text)
    return out


def _overlap(name: Name, phrase: Phrase) -> float:
    """Return the share of the concepts of a phrase that a name has; 0 if they are general or less than half."""
    shared = [c for c in phrase.needed if name.has(c)]
    is_telling = any(c not in GENERAL and not c.isdigit() for c in shared)
    has_other = any(t.concepts and not t.concepts & {*phrase.needed, *phrase.allowed, *NEUTRAL} for t in name.tokens)
    share = len(shared) / max(1, len(phrase.needed))
    return share if is_telling and share >= MIN_OVERLAP and not has_other else 0.0


def _names_by_concept(names: list[Name]) -> dict[str, set[int]]:
    """Return concept or unknown word -> indices of the names that contain it; "=" marks whole names."""
    out: dict[str, set[int]] = {}
    for j, name in enumerate(names):
        out.setdefault(f"={name.sources[0].strip().casefold()}", set()).add(j)
        for token in name.tokens:
            for concept in token.concepts or {token.text}:
                out.setdefault(concept, set()).add(j)
    return out


def _settled(
    i: int, j: int, found: dict[tuple[int, int], Candidate], chosen: set[tuple[int, int]], names: list[Name]
) -> Match:
    """Return a match after competition: rivals that no better match takes make it uncertain."""
    own = found[i, j]
    taken_rows, taken_names = {a for a, _ in chosen}, {b for _, b in chosen}
    other_names = {b: c.strength for (a, b), c in found.items() if a == i and b != j}
    other_rows = {a: c.strength for (a, b), c in found.items() if b == j and a != i}
    free = [b for b, c in other_names.items() if b not in taken_names and c >= CLOSE * own.strength]
    is_contested = bool(free) or any(a not in taken_rows and c >= CLOSE * own.strength for a, c in other_rows.items())
    confidence = own.confidence
    if own.is_weak and own.supports and not other_names and not other_rows:
        confidence = max(confidence, SOLE * min(1.0, own.confidence / WEAK))
    if is_contested:
        confidence = min(confidence, 0.8)
    return Match(names[j], confidence, own.phrase, tuple(names[b].sources[0] for b in free))
