"""Accidental recognition of words that the vocabulary lacks, measured by taking its own words out."""

import random
from collections import Counter

from transforms.ingest.propose.lexicon import COMPOUND, INFLECTED, MISSPELLED, SHORTENED, Lexicon, package_lexicon

SAMPLE, SEED, MIN_LETTERS = 500, 1, 3
MANNERS = {COMPOUND: "compound", INFLECTED: "other ending", SHORTENED: "beginning", MISSPELLED: "spelling"}
"""Quality of a recognized word -> the manner in which it was recognized."""


def left_out_rows() -> list[list[str]]:
    """Return the words recognized rightly and wrongly without the word, and wrongly without its meaning, by manner.

    The first figures are of words that are missing though their meaning is known; the last ones of words whose meaning
    is missing too, so that any recognition is accidental.
    """
    whole = package_lexicon()
    words = [w for w in whole.words if " " not in w and w not in whole.concepts and len(w) >= MIN_LETTERS]
    sample = random.Random(SEED).sample(words, SAMPLE)
    without_word = Counter(_recognized(w, {k: v for k, v in whole.words.items() if k != w}, whole) for w in sample)
    without_meaning = Counter(_recognized(w, _without_meaning(w, whole), whole) for w in sample)
    rows = [
        [
            manner,
            *(str(without_word[quality, is_right]) for is_right in (True, False)),
            _wrong(without_meaning, quality),
        ]
        for quality, manner in MANNERS.items()
    ]
    totals = [sum(int(row[i]) for row in rows) for i in (1, 2, 3)]
    return [*rows, ["all", *map(str, totals)]]


def _wrong(counts: Counter[tuple[float, bool]], quality: float) -> str:
    return str(counts[quality, False])


def _without_meaning(word: str, whole: Lexicon) -> dict[str, set[str]]:
    """Return the words of a vocabulary without the meanings of one of them."""
    gone = whole.words[word]
    return {k: v - gone for k, v in whole.words.items() if k != word and v - gone}


def _recognized(word: str, words: dict[str, set[str]], whole: Lexicon) -> tuple[float, bool]:
    """Return (quality of the recognition of a word, True if a meaning is right); quality 0 if it is not recognized."""
    tokens = [t for t in Lexicon(words, whole.stop, whole.sections, whole.spelled).tokens(word) if t.concepts]
    is_right = any(t.concepts & whole.words[word] for t in tokens)
    return min((t.quality for t in tokens), default=0.0), is_right
