"""Reads a delimited text or a sheet of a workbook as text cells, each row with its line number."""

from dataclasses import dataclass
from pathlib import Path

import fastexcel
import polars as pl

from transforms.errors import SourceFileError
from transforms.intake.mapping import Mapping

EMPTY_WORDS = ["", "n/a", "N/A", "NA", "null", "-", "--", "---"]
MAX_CELLS_PER_LINE = 2000


@dataclass(frozen=True)
class TextTable:
    """A file as text.

    Attributes:
        cells: one string column per column of the file, and `line`, the row's line in the file (1 = first).
        ragged: lines with more or fewer cells than the header, with their raw text.
        lines: the file's lines where a raw line can be quoted; None for a workbook.
    """

    cells: pl.DataFrame
    ragged: dict[int, str]
    lines: list[str] | None

    def raw(self, line: int) -> str:
        """Return a row as it stands in the file."""
        if self.lines is not None and 0 < line <= len(self.lines):
            return self.lines[line - 1].rstrip("\r")
        row = self.cells.filter(pl.col("line") == line).drop("line")
        return " | ".join("" if v is None else str(v) for v in row.row(0)) if len(row) else ""


def _decode(data: bytes, encoding: str) -> str:
    try:
        return data.decode("utf-8-sig" if encoding.lower().replace("_", "-") == "utf-8" else encoding)
    except (UnicodeDecodeError, LookupError) as problem:
        raise SourceFileError(
            "encoding", f"the file is not {encoding} text ({problem}); name its encoding"
        ) from problem


def read_delimited(path: Path, mapping: Mapping) -> TextTable:
    """Read a CSV-like file.

    Raises:
        SourceFileError: it is empty, not text of the mapped encoding, or not a table.
    """
    text = _decode(path.read_bytes(), mapping.encoding)
    if "\x00" in text:
        raise SourceFileError("nul_bytes", "the file holds NUL bytes: it is damaged or not a text table")
    lines = text.split("\n")
    if lines and lines[-1] in {"", "\r"}:
        lines.pop()
    first = mapping.header_line + (1 if mapping.unit_row else 0)
    if len(lines) < mapping.header_line or not lines[mapping.header_line - 1].strip():
        raise SourceFileError("no_header", f"line {mapping.header_line} should hold the column names and is empty")
    header = lines[mapping.header_line - 1]
    separators = header.count(mapping.separator)
    if separators > MAX_CELLS_PER_LINE:
        raise SourceFileError(
            "too_many_columns", f"the header has {separators + 1} columns; at most {MAX_CELLS_PER_LINE}"
        )
    body = pl.DataFrame({"raw": lines[first:]}, schema={"raw": pl.String}).with_row_index("line", offset=first + 1)
    body = body.with_columns(pl.col("line").cast(pl.Int64)).filter(pl.col("raw").str.strip_chars() != "")
    quoted = '"' in text
    cells = _parse(header, body["raw"], mapping, quoted=quoted)
    if cells.height != body.height:
        raise SourceFileError("broken_quotes", "quotes in the file do not pair up, so its rows cannot be told apart")
    ragged: dict[int, str] = {}
    if not quoted:
        uneven = body.filter(pl.col("raw").str.count_matches(mapping.separator, literal=True) != separators)
        ragged = dict(uneven.select("line", "raw").iter_rows())
    return TextTable(cells.with_columns(body["line"]), ragged, lines)


def _parse(header: str, rows: pl.Series, mapping: Mapping, *, quoted: bool) -> pl.DataFrame:
    text = "\n".join([header.rstrip("\r"), *(r.rstrip("\r") for r in rows)])
    try:
        return pl.read_csv(
            text.encode(), separator=mapping.separator, infer_schema=False, null_values=EMPTY_WORDS,
            quote_char='"' if quoted else None, truncate_ragged_lines=True,
        )  # fmt: skip
    except pl.exceptions.PolarsError as problem:
        raise SourceFileError("not_a_table", f"the file cannot be read as a table ({str(problem)[:120]})") from problem


def read_sheet(path: Path, mapping: Mapping) -> TextTable:
    """Read one sheet of a workbook, every cell as text.

    Raises:
        SourceFileError: it is no workbook, or has no such sheet.
    """
    try:
        book = fastexcel.read_excel(path)
    except fastexcel.FastExcelError as problem:
        raise SourceFileError("not_a_workbook", "the file cannot be opened as a workbook; save it again") from problem
    sheet = mapping.sheet or book.sheet_names[0]
    if sheet not in book.sheet_names:
        raise SourceFileError("no_such_sheet", f"there is no sheet '{sheet}'; it has {', '.join(book.sheet_names)}")
    table = book.load_sheet_by_name(sheet, header_row=mapping.header_line - 1, dtypes="string").to_polars()
    skip = 1 if mapping.unit_row else 0
    table = table.cast(pl.String).with_columns(pl.all().replace(EMPTY_WORDS, None))
    table = table.with_row_index("line", offset=mapping.header_line + 1).slice(skip)
    return TextTable(table.with_columns(pl.col("line").cast(pl.Int64)), {}, None)


def read_table(path: Path, mapping: Mapping) -> TextTable:
    """Read a file by its kind: `.xlsx` as a sheet, anything else as delimited text."""
    return read_sheet(path, mapping) if path.suffix.lower() == ".xlsx" else read_delimited(path, mapping)
