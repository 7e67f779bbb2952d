"""Vocabulary with words taken out, so that an office uses words that the program does not know."""

import random

from transforms.ingest.propose.lexicon import Lexicon, package_lexicon

MASKED_SECTIONS = ("states", "places", "flags")
"""Sections of `names.toml` with the meanings of cells; their words are masked too."""


def masked_lexicon(seed: int, share: float) -> Lexicon:
    """Return the vocabulary of the package without a random share of its words.

    Args:
        seed: seed of the choice, so that each office meets other gaps.
        share: share of the words to take out, from 0 to 1.
    """
    whole, rng = package_lexicon(), random.Random(f"{seed} {share}")
    words = {w: set(c) for w, c in whole.words.items() if rng.random() >= share}
    sections = {
        section: {k: _kept(v, rng, share) if section in MASKED_SECTIONS else v for k, v in columns.items()}
        for section, columns in whole.sections.items()
    }
    masked = Lexicon(words, set(whole.stop), sections, set(whole.spelled))
    # Phrases of columns name concepts, which exist without their words.
    masked.concepts = whole.concepts
    return masked


def _kept(words: str | list[str], rng: random.Random, share: float) -> list[str]:
    texts = words.split() if isinstance(words, str) else words
    return [w for w in texts if rng.random() >= share]
