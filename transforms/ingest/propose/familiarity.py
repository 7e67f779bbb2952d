"""Pieces of evidence for a column or a kind of rows, and the number of them that a table demands.

A word that the vocabulary lacks is sometimes recognized by an ending or a beginning that it shares with another word.
The more words of a table the vocabulary lacks, the more of the recognized ones are such accidents. Therefore an
inexactly recognized name is not a piece of evidence, and a table with few recognized names demands two independent
pieces.
"""

from collections.abc import Iterable
from typing import NamedTuple

from transforms.ingest.propose.header import Name
from transforms.ingest.propose.lexicon import COMPOUND
from transforms.ingest.propose.matching import Match
from transforms.ingest.propose.table import SourceTable

FAMILIAR = 0.5
"""Least share of recognized names in a table that is familiar: three times the share of words without a meaning in the
vocabulary that are recognized by accident."""
PROVED = 2
"""Pieces of evidence that suffice in any table."""


class Demand(NamedTuple):
    """Number of independent pieces of evidence that a table demands for a column, and for its kind of rows."""

    of_column: int
    of_kind: int


def is_exact(name: Name) -> bool:
    """Return True if the vocabulary contains every word of a name, or the parts of which it is composed.

    Of words whose meaning the vocabulary lacks, some 15 % are recognized by an ending, a beginning or a spelling that
    they share with another word, and 1 % as a compound (`tests/validation/RESULTS.md`, words left out).
    """
    words = [t for t in name.tokens if not t.text.isdigit()]
    return bool(words) and all(t.concepts and t.quality >= COMPOUND for t in name.tokens)


def is_familiar(names: Iterable[Name]) -> bool:
    """Return True if the vocabulary recognizes all words, exactly or not, of at least half of the names of a table."""
    known = [bool(n.tokens) and all(t.concepts for t in n.tokens) for n in names]
    return sum(known) >= FAMILIAR * len(known)


def demand(table: SourceTable) -> Demand:
    """Return the demand of a table: one piece of evidence in a familiar table, else two."""
    return Demand(1, 1) if is_familiar(table.names) else Demand(PROVED, PROVED)


def pieces(table: SourceTable, kind: str, column: str, matched: Match) -> int:
    """Return the number of independent pieces of evidence for a match: from its words, and from its values.

    Args:
        table: the table.
        kind: kind of rows.
        column: table column.
        matched: the match; a name that is the table column's own proves it, as do ids that the workspace has.
    """
    name = matched.name
    is_own = name.sources[0].strip().casefold() == column and "_" in column
    if is_own or table.plausibility.is_joined(column, name):
        return PROVED
    return is_exact(name) + table.plausibility.is_specific(kind, column, name)
