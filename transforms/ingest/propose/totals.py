"""Rows of totals in a sample: a word, and sums below a part of the columns."""

import re
import statistics

from transforms.ingest.chunk import EMPTY_WORDS
from transforms.ingest.mapping import TOTALS

WORD = re.compile(r"^[^\W\d_][^\d;,|]{1,30}$")
MAX_FILLED = 0.6
"""Most filled cells of a row of totals, in relation to the other rows (common practice, no source)."""
MIN_ROWS = 4


def without_totals(rows: list[list[str]]) -> tuple[list[list[str]], list[str]]:
    """Return (rows without totals, the words of the totals that every mapping does not know).

    Args:
        rows: cells of the sample rows.
    """
    if len(rows) < MIN_ROWS:
        return rows, []
    filled = [sum(c not in EMPTY_WORDS for c in row) for row in rows]
    limit = MAX_FILLED * statistics.median(filled)
    known = {w.casefold() for w in TOTALS}
    words = [_first_word(row) if n <= limit else None for row, n in zip(rows, filled, strict=True)]
    # The last row alone is a total; a word that also begins other rows is a value.
    total = words[-1]
    if total is None or any(row and row[0] == total for row in rows[:-1]):
        return rows, []
    return rows[:-1], [] if total.casefold() in known else [total]


def _first_word(row: list[str]) -> str | None:
    """Return the word in the first cell of a row; None if there is none."""
    return row[0] if row and WORD.match(row[0]) else None
