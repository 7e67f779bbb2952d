"""What every reader yields: a stretch of a file as cells, each row with its line, and what could not be a row."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import polars as pl

from transforms.errors import SourceFileError

REJECTED = {"line": pl.Int64, "column": pl.String, "raw": pl.String, "rule": pl.String, "says": pl.String}
MARK = "\x1f"
"""What the names of our own columns beside a file's begin with: no file's column may collide with them."""
LINE, ROW = f"{MARK}line", f"{MARK}row"
RAW_CHARACTERS = 4000
"""A raw row longer than this is quoted in part: it is no row of any export."""
MAX_TEXT_BYTES = 400
"""Length of an id or another text of a row in UTF-8: of plain letters 400, of any script at least 100."""
LONG_TEXTS = {"boundary": 8 << 20}
"""Texts that may be longer: the outline of a field."""
EMPTY_WORDS = ["", "n/a", "N/A", "NA", "null", "NULL", "NaN", "nan", "-", "--", "---"]


def rejected_rows(lines: list[int], column: str | None, raws: list[str], rule: str, says: str) -> pl.DataFrame:
    """Return rejected rows that broke one rule."""
    quoted = [r if len(r) <= RAW_CHARACTERS else r[:RAW_CHARACTERS] + "…" for r in raws]
    n = len(lines)
    return pl.DataFrame(
        {"line": lines, "column": [column] * n, "raw": quoted, "rule": [rule] * n, "says": [says] * n}, schema=REJECTED
    )


def none_rejected() -> pl.DataFrame:
    """Return no rejected rows."""
    return pl.DataFrame(schema=REJECTED)


@dataclass(frozen=True)
class Chunk:
    """A stretch of a file.

    Attributes:
        cells: a column per column of the file, text or already typed, and `LINE`, counted from 1 at the piece's start.
        lines: how many lines the piece spans.
        raw: lines -> their text as it stands in the file.
        rejected: rows that are no rows: uneven, undecodable.
        rows_repeated: rows that only say again what another says.
        part: the sheet, or the log of an archive, where a file has several.
        units: column -> unit, where the file says it.
        findings: what the person should know of how it was read, a sentence each.
    """

    cells: pl.DataFrame
    lines: int
    raw: Callable[[list[int]], list[str]]
    rejected: pl.DataFrame = field(default_factory=none_rejected)
    rows_repeated: int = 0
    part: str | None = None
    units: dict[str, str] = field(default_factory=dict)
    findings: tuple[str, ...] = ()


@dataclass(frozen=True)
class Source:
    """An opened file.

    Attributes:
        header: the raw lines above the rows, as they stand in the file.
        pieces: functions that each read one piece; they may run side by side, their results count in this order.
        close: lets go of the file, once every piece is read.
    """

    header: str
    pieces: Iterator[Callable[[], Chunk]]
    close: Callable[[], None] = lambda: None


def require_columns(has: list[str], wanted: list[str]) -> None:
    """Refuse a file that lacks a column its mapping reads.

    Raises:
        SourceFileError: naming the first that is missing, and what the file has.
    """
    for source in wanted:
        if source not in has:
            shown = ", ".join(c for c in has if c != LINE)[:200]
            raise SourceFileError("missing_column", f"there is no column '{source}'; the file has {shown}")
