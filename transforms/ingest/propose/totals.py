"""Rows of totals in a sample: a word, and sums below a part of the columns."""

import re

from transforms.ingest.chunk import EMPTY_WORDS
from transforms.ingest.mapping import TOTALS

WORD = re.compile(r"^[^\W\d_][^\d;,|]{1,30}$")
MIN_LACKING = 0.25
"""Least share of the columns that all other rows fill, and a row of totals does not (common practice, no source)."""
MIN_ROWS = 4


def without_totals(rows: list[list[str]]) -> tuple[list[list[str]], list[str]]:
    """Return (rows without totals, the words of the totals that every mapping does not know).

    The last row alone can be one. A word that begins other rows too is a value.

    Args:
        rows: cells of the sample rows.
    """
    if len(rows) < MIN_ROWS or not rows[-1] or not WORD.match(rows[-1][0]):
        return rows, []
    word, others = rows[-1][0], rows[:-1]
    always = [i for i in range(1, len(rows[-1])) if all(i < len(r) and r[i] not in EMPTY_WORDS for r in others)]
    lacking = sum(rows[-1][i] in EMPTY_WORDS for i in always)
    if not always or lacking < MIN_LACKING * len(always) or any(r and r[0] == word for r in others):
        return rows, []
    return others, [] if word.casefold() in {w.casefold() for w in TOTALS} else [word]
