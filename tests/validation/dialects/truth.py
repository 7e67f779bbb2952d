"""Truth of an invented file: the meaning of each column, and the rows as they should be stored."""

from dataclasses import dataclass, field
from typing import Any

Row = dict[str, Any]


@dataclass(frozen=True)
class Meaning:
    """Meaning of a column of a file.

    Attributes:
        kind: kind of file.
        column: column of the table.
        part: `whole`; `date` or `clock` of a time; `left` or `right` of a pair of sensors.
        factor, offset: stored value = value of the file * factor + offset.
        full_scale: stored value of 100 %, for a drive logged in percent; None for any other column.
        format: strptime format of a time in text; `excel_1900`, `epoch_s`, `epoch_ms` or `native` for other times.
        zone: time zone of a time.
        words: word of the file -> stored word.
    """

    kind: str
    column: str
    part: str = "whole"
    factor: float = 1.0
    offset: float = 0.0
    full_scale: float | None = None
    format: str | None = None
    zone: str | None = None
    words: dict[str, str] | None = None


@dataclass
class FileColumn:
    """Column of a file.

    Attributes:
        name: header text without its unit.
        cells: numbers, texts, times or None; the writer formats them.
        group: header above it, in files with two header rows.
        unit: unit text; empty if the column has none.
        decimals: decimal places of its numbers.
        meanings: empty for a column that nobody needs.
        is_optional: True if nothing is lost without it, such as a column without values.
    """

    name: str
    cells: list[Any]
    group: str = ""
    unit: str = ""
    decimals: int = 2
    meanings: tuple[Meaning, ...] = ()
    is_optional: bool = False


@dataclass(frozen=True)
class Constant:
    """Value that no column contains: `place` is `file_name`, `preamble` or `nowhere`."""

    value: Any
    place: str
    text: str = ""


@dataclass(frozen=True)
class Censored:
    """Value below a limit of detection, as in "<2": any stored value from 0 to the limit is right, and so is none."""

    limit: float


@dataclass
class KindTruth:
    """Rows of one kind in a table of a file, with the values that no column contains.

    Attributes:
        kind: kind of file.
        rows: the rows as they should be stored.
        constants: table column -> value that no column contains.
        day: text above the header with the day of a log whose rows have times of day only; else empty.
    """

    kind: str
    rows: list[Row]
    constants: dict[str, Constant] = field(default_factory=dict)
    day: str = ""


@dataclass
class FileTable:
    """Table of a file: all of it, or a sheet."""

    sheet: str
    columns: list[FileColumn]
    truths: list[KindTruth]


@dataclass
class DialectFile:
    """File of an invented office.

    Attributes:
        name: file name.
        form: `delimited`, `sheet` or `parquet`.
        style: layout of the file, a `Style`.
        tables: tables of the file.
        preamble: lines above the header.
        total_word: first cell of a last row of totals; empty if there is none.
    """

    name: str
    form: str
    style: Any
    tables: list[FileTable]
    preamble: list[str] = field(default_factory=list)
    total_word: str = ""

    def kinds(self) -> list[str]:
        """Return the kinds of rows that the file contains."""
        return [t.kind for table in self.tables for t in table.truths]
