"""Vocabulary of the trade: from the words of a column name, in any of its languages, to concepts."""

import itertools
import tomllib
from collections import Counter
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from typing import Any, NamedTuple

from rapidfuzz import process
from rapidfuzz.distance import DamerauLevenshtein

from transforms.ingest.propose.spelling import fold, split_words

EXACT, COMPOUND, INFLECTED, SHORTENED, MISSPELLED = 1.0, 0.98, 0.95, 0.91, 0.85
"""Quality of a recognized word, by the way it was recognized (common practice, no source)."""
MIN_STEM, MAX_ENDING = 4, 4
"""Letters of the common beginning of inflected forms, and of their different endings."""
MIN_SHORT, MIN_MISSPELLED, MIN_PART = 3, 6, 3
"""Letters of abbreviations, of words compared in spelling, and of parts of compounds."""
MIN_ALIKE, MAX_ALIKE = 0.82, 8
"""Least likeness of a misspelled word: one slip in six letters, two in twelve (common practice, no source)."""
LINKS = ("", "s", "n", "en", "er", "e")
"""Letters between the parts of a compound."""
MAX_WORDS = 3
COMMON_SHARE, MAX_MEANINGS = 0.4, 3
"""Share of the words that an abbreviation begins with a concept of it; most concepts of an abbreviation."""


class Token(NamedTuple):
    """Word of a name: the concepts that it may mean, and the quality of its recognition from 0 to 1."""

    text: str
    concepts: frozenset[str]
    quality: float


@dataclass
class Lexicon:
    """Words of all languages with their concepts.

    Attributes:
        words: normalized word or phrase -> concepts.
        stop: normalized words without meaning.
        spelled: words as spelled with accents, lower case.
        concepts: names of all concepts.
        sections: tables of `names.toml` and of the workspace: section -> column or meaning -> phrases.
    """

    words: dict[str, set[str]]
    stop: set[str]
    sections: dict[str, dict[str, list[str]]]
    spelled: set[str] = field(default_factory=set)
    concepts: frozenset[str] = frozenset()
    _by_start: dict[str, set[str]] = field(default_factory=dict)
    _long: list[str] = field(default_factory=list)
    _known: dict[tuple[str, bool], list[Token]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.concepts = frozenset(c for found in self.words.values() for c in found)
        for word in self.words:
            if " " in word:
                continue
            self._by_start.setdefault(word[:MIN_SHORT], set()).add(word)
        self._long = sorted(w for w in self.words if " " not in w and len(w) >= MIN_MISSPELLED - 1)

    def tokens(self, text: str) -> list[Token]:
        """Return the tokens of a name in order, without stop words; unknown words have no concept."""
        words = [(fold(w.rstrip(".")), w.endswith(".")) for w in split_words(text)]
        words = [(w, short) for w, short in words if w]
        out: list[Token] = []
        i = 0
        while i < len(words):
            for n in range(min(MAX_WORDS, len(words) - i), 1, -1):
                phrase = " ".join(w for w, _ in words[i : i + n])
                if phrase in self.words:
                    out.append(Token(phrase, frozenset(self.words[phrase]), EXACT))
                    i += n
                    break
            else:
                out += self._word(*words[i])
                i += 1
        return out

    def _word(self, word: str, is_short: bool) -> list[Token]:  # noqa: FBT001
        """Return the tokens of one word: several for a compound, none for a stop word."""
        if (word, is_short) not in self._known:
            self._known[word, is_short] = self._recognize(word, is_short=is_short)
        return self._known[word, is_short]

    def _recognize(self, word: str, *, is_short: bool) -> list[Token]:
        if word in self.words:
            return [Token(word, frozenset(self.words[word]), EXACT)]
        if word.isdigit():
            return [Token(word, frozenset({str(int(word))}), EXACT)]
        if word in self.stop:
            return []
        return (
            (self._beginning(word, MIN_SHORT - 1) if is_short else [])
            or self._compound(word)
            or self._inflected(word)
            or self._misspelled(word)
            or self._beginning(word, MIN_SHORT)
            or [Token(word, frozenset(), 0.0)]
        )

    def _beginning(self, word: str, letters: int) -> list[Token]:
        """Return the concept of the words that an abbreviation begins; unknown if they have different ones."""
        if len(word) < letters:
            return []
        starts = self._by_start.get(word[:MIN_SHORT], set()) if len(word) >= MIN_SHORT else self.words
        begun = [self.words[w] for w in starts if w.startswith(word) and " " not in w]
        shared = _common(begun)
        return [Token(word, shared, SHORTENED)] if shared else []

    def _compound(self, word: str, *, depth: int = 3) -> list[Token]:
        """Return the parts of a compound of known words, the longest first part that leaves a known rest."""
        for end in range(len(word) - MIN_PART, MIN_PART - 1, -1):
            first = word[:end]
            if first not in self.words:
                continue
            for link in LINKS:
                if not word[end:].startswith(link):
                    continue
                rest = word[end + len(link) :]
                last = [Token(rest, frozenset(self.words[rest]), COMPOUND)] if rest in self.words else []
                if not last and depth > 1:
                    last = self._compound(rest, depth=depth - 1)
                if not last and len(rest) > MIN_STEM:
                    last = self._inflected(rest) or self._beginning(rest, MIN_STEM)
                if last and len(rest) >= MIN_PART:
                    return [Token(first, frozenset(self.words[first]), COMPOUND), *last]
        return []

    def _inflected(self, word: str) -> list[Token]:
        """Return the concepts of a word with the same stem and another ending; unknown if stems differ in concept."""
        best = MIN_STEM - 1
        found: list[set[str]] = []
        for known in self._by_start.get(word[:MIN_SHORT], set()):
            same = sum(1 for _ in itertools.takewhile(lambda ab: ab[0] == ab[1], zip(word, known, strict=False)))
            longest = max(len(word), len(known))
            if same < MIN_STEM or longest - same > MAX_ENDING or same < 0.66 * longest or len(known) < MIN_STEM:
                continue
            if same > best:
                best, found = same, []
            if same == best:
                found.append(self.words[known])
        shared = frozenset.intersection(*map(frozenset, found)) if found else frozenset[str]()
        return [Token(word, shared, INFLECTED)] if shared else []

    def _misspelled(self, word: str) -> list[Token]:
        """Return the concepts of the words that are spelled most alike; unknown if they have none in common."""
        if len(word) < MIN_MISSPELLED:
            return []
        alike = process.extract(
            word, self._long, scorer=DamerauLevenshtein.normalized_similarity, score_cutoff=MIN_ALIKE, limit=MAX_ALIKE
        )
        best = [known for known, score, _ in alike if score >= alike[0][1] and known[0] == word[0]]
        shared = frozenset.intersection(*(frozenset(self.words[w]) for w in best)) if best else frozenset[str]()
        return [Token(word, shared, MISSPELLED)] if shared else []

    def meaning(self, section: str, text: str) -> str | None:
        """Return the meaning of a cell in a section of words, such as a work state; None if it is unclear."""
        cell = " ".join(fold(w.rstrip(".")) for w in split_words(text)) or text.strip().casefold()
        meanings = _folded_words(self, section)
        if cell in meanings:
            return meanings[cell]
        words = {meanings[w] for w in cell.split() if w in meanings}
        if not words:
            words = {m for w in cell.split() for known, m in meanings.items() if _same_stem(w, known)}
        return words.pop() if len(words) == 1 else None


def _common(meanings: list[set[str]]) -> frozenset[str]:
    """Return the concepts of most of several words; none if the words differ."""
    counts = Counter(c for concepts in meanings for c in concepts)
    shared = frozenset(c for c, n in counts.items() if n >= COMMON_SHARE * len(meanings))
    return shared if len(shared) <= MAX_MEANINGS else frozenset()


def _folded_words(lexicon: Lexicon, section: str) -> dict[str, str]:
    """Return word -> meaning of a section."""
    return {
        (" ".join(fold(p) for p in word.split("_")) or word): meaning
        for meaning, phrases in lexicon.sections.get(section, {}).items()
        for word in _words_of(phrases)
    }


def _words_of(phrases: str | list[str]) -> list[str]:
    return phrases.split() if isinstance(phrases, str) else [p.replace(" ", "_") for p in phrases]


def _same_stem(word: str, known: str) -> bool:
    """Return True if two words differ in their endings alone."""
    same = sum(1 for _ in itertools.takewhile(lambda ab: ab[0] == ab[1], zip(word, known, strict=False)))
    return same > MIN_STEM and same >= 0.7 * max(len(word), len(known))


@cache
def _package_tables(name: str) -> dict[str, Any]:
    return tomllib.loads(files(__package__).joinpath(name).read_text("utf-8"))


def build_lexicon(extra: dict[str, Any] | None = None) -> Lexicon:
    """Return the vocabulary of the package, extended by that of a workspace.

    Args:
        extra: tables of the workspace's `lexicon.toml`: `concepts` adds words to concepts, other sections add phrases
            to columns and words to meanings.
    """
    extra = extra or {}
    table = _package_tables("words.toml")
    words: dict[str, set[str]] = {}
    spelled: set[str] = set()
    for source in (table["concepts"], extra.get("concepts", {})):
        for concept, text in source.items():
            words.setdefault(concept, set()).add(concept)
            for word in _words_of(text):
                spelled |= {w.casefold() for w in word.split("_")}
                phrase = " ".join(p for w in split_words(word.replace("_", " ")) if (p := fold(w.rstrip("."))))
                if phrase:
                    words.setdefault(phrase, set()).add(concept)
    stop = {fold(w) for w in table["stop"]["words"].split()} - words.keys()
    sections = {k: dict(v) for k, v in _package_tables("names.toml").items()}
    for section, columns in extra.items():
        if section != "concepts":
            for column, phrases in columns.items():
                known = sections.setdefault(section, {}).get(column, [])
                sections[section][column] = [*_words_or_phrases(known), *_words_or_phrases(phrases)]
    return Lexicon(words, stop, sections, spelled)


def _words_or_phrases(known: str | list[str]) -> list[str]:
    return known.split() if isinstance(known, str) else list(known)


@cache
def package_lexicon() -> Lexicon:
    """Return the vocabulary of the package."""
    return build_lexicon()
