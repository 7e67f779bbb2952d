"""Slow proof: is an encoding taken without a question only if it is right, and is the right one a choice otherwise?

`pytest -m slow tests/validation/test_encodings_of_words.py -s` writes the figures of tests/validation/RESULTS.md. A run
takes half a minute.
"""

import re
import tomllib
from collections import Counter
from pathlib import Path
from random import Random

import pytest

from tests.support.results_page import VALIDATION, markdown_table, write_figures
from transforms.ingest.propose.encoding import decode

WORDS = Path(__file__).parent / "dialects" / "words" / "fourth_group"
WESTERN, CENTRAL = ("cp1252", "cp850", "mac-roman"), ("cp1250", "cp852")
ENCODINGS = {
    **dict.fromkeys(("da", "de", "en", "es", "fr", "it", "nl", "sv"), WESTERN),
    **dict.fromkeys(("cs", "hu", "pl"), CENTRAL),
    "ru": ("cp1251", "cp866", "koi8-r"),
    "uk": ("cp1251",),
    "tr": ("cp1254",),
}
"""Language -> encodings in which its words are written."""
SIZES, REPEATS = (1, 2, 3, 5, 10, 20), 30
RIGHT, ASKED, ASKED_OTHER, WRONG = "right without asking", "asked, guessed right", "asked, guessed other", "wrong"
OUTCOMES = (RIGHT, ASKED, ASKED_OTHER, WRONG)


def _outcome(text: str, encoding: str) -> str:
    found = decode(text.encode(encoding))
    if found.question is None:
        return RIGHT if found.text == text else WRONG
    assert encoding in found.question[1], text
    return ASKED if found.text == text else ASKED_OTHER


@pytest.mark.slow
def test_no_more_than_2_of_1000_encodings_are_wrong_without_a_question():
    rng = Random(20261130)
    counts: Counter[tuple[int, str]] = Counter()
    for path in sorted(WORDS.glob("*.toml")):
        text = path.read_text("utf-8")
        odd = {w for w in re.findall(r"[^\W\d_]+", text) if not w.isascii()}
        for encoding in ENCODINGS[tomllib.loads(text)["language"]]:
            words = sorted(w for w in odd if w.encode(encoding, "ignore").decode(encoding) == w)
            for size in (s for s in SIZES if s <= len(words)):
                for _ in range(REPEATS):
                    counts[size, _outcome(";".join(rng.sample(words, size)) + "\n", encoding)] += 1
    rows = [[str(size), *(str(counts[size, o]) for o in OUTCOMES)] for size in SIZES]
    write_figures(VALIDATION, "encodings of words", markdown_table(["words beyond ASCII", *OUTCOMES], rows))
    wrong = sum(n for (_, outcome), n in counts.items() if outcome == WRONG)
    assert wrong <= 0.002 * counts.total()
