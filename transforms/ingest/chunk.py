"""Chunks of a file: the common output of all readers, with cells, line numbers and rejected rows."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import polars as pl

from transforms.contracts.internal_columns import MARK
from transforms.contracts.reason import REASON_COLUMNS, Reason, reason
from transforms.errors import SourceFileError
from transforms.ingest.mapping import Mapping

REJECTED = {"line": pl.Int64, "column": pl.String, "raw": pl.String, "rule": pl.String, **REASON_COLUMNS}
LINE, ROW = f"{MARK}line", f"{MARK}row"
RAW_CHARACTERS = 4000
"""Maximum length of a quoted raw row; longer rows are truncated, as no export has such rows."""
MAX_TEXT_BYTES = 400
"""Maximum UTF-8 length of a text value: 400 ASCII letters, or at least 100 characters of any script."""
LONG_TEXTS = {"boundary": 8 << 20}
"""Columns with a larger maximum length: the outline of a field."""
EMPTY_WORDS = ["", "n/a", "N/A", "NA", "null", "NULL", "NaN", "nan", "-", "--", "---"]


def rejected_rows(lines: list[int], column: str | None, raws: list[str], rule: str, why: Reason) -> pl.DataFrame:
    """Return rejected rows that broke one rule, in the schema `REJECTED`.

    Args:
        lines: line numbers.
        column: the column of the rule; None for a rule about the whole row.
        raws: the raw text of each row.
        rule: code of the rule.
        why: the reason.
    """
    quoted = [r if len(r) <= RAW_CHARACTERS else r[:RAW_CHARACTERS] + "…" for r in raws]
    n = len(lines)
    shared = {name: [value] * n for name, value in {"rule": rule, **why.columns}.items()}
    return pl.DataFrame({"line": lines, "column": [column] * n, "raw": quoted, **shared}, schema=REJECTED)


def empty_rejections() -> pl.DataFrame:
    """Return an empty frame of rejected rows."""
    return pl.DataFrame(schema=REJECTED)


@dataclass(frozen=True)
class Chunk:
    """Consecutive rows of a file.

    Attributes:
        cells: one column per column of the file, as text or typed, and `LINE`, counted from 1 at the chunk start.
        lines: number of lines in the chunk.
        raw: function from line numbers to the raw text of these lines.
        rejected: rows that cannot be parsed, such as uneven or undecodable ones.
        rows_repeated: number of rows that repeat another row.
        part: the sheet, or the log of an archive, if a file has several.
        units: column -> unit, if the file states it.
        findings: notes for the user on how the chunk was read.
        preamble: lines above the header; None for those of the file.
    """

    cells: pl.DataFrame
    lines: int
    raw: Callable[[list[int]], list[str]]
    rejected: pl.DataFrame = field(default_factory=empty_rejections)
    rows_repeated: int = 0
    part: str | None = None
    units: dict[str, str] = field(default_factory=dict)
    findings: tuple[Reason, ...] = ()
    preamble: tuple[str, ...] | None = None


@dataclass(frozen=True)
class Source:
    """Opened file.

    Attributes:
        header: raw lines above the rows.
        pieces: functions that each read one chunk; they may run in parallel, and results are used in this order.
        close: function that closes the file after all chunks are read.
    """

    header: str
    pieces: Iterator[Callable[[], Chunk]]
    close: Callable[[], None] = lambda: None


def require_columns(present: list[str], mapping: Mapping) -> None:
    """Raise an error if a file lacks a column that its mapping needs.

    Args:
        present: columns of the file.
        mapping: the mapping that reads the file.

    Raises:
        SourceFileError: a column is missing; the message names it and the columns of the file.
    """
    missing = mapping.missing_sources(present)
    if missing:
        shown = ", ".join(c for c in present if c != LINE)[:200]
        raise SourceFileError("missing_column", missing_reason(missing, shown))


def missing_reason(missing: list[str], shown: str) -> Reason:
    """Return the reason for a file that lacks a column, or all columns of a needed value.

    Args:
        missing: the columns that it lacks.
        shown: the columns that it has.
    """
    if len(missing) == 1:
        return reason("missing_column", column=missing[0], columns=shown)
    return reason("missing_columns", missing=missing, columns=shown)
