"""Reader of workbook sheets with all cells as text; supports merged header cells, unit rows and several sheets."""

from collections.abc import Callable, Iterator
from fnmatch import fnmatch
from functools import partial
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TypeVar

import fastexcel
import polars as pl

from transforms.contracts.reason import Reason, reason
from transforms.errors import SourceFileError, is_panic
from transforms.ingest.chunk import EMPTY_WORDS, LINE, Chunk, Source, rejected_rows
from transforms.ingest.mapping import Mapping
from transforms.ingest.readers.archive import checked_archive
from transforms.ingest.readers.text_layout import MAX_COLUMNS, column_names, named_as_mapped, repeated_columns
from transforms.ingest.readers.workbook_bounds import WorkbookBounds

Result = TypeVar("Result")


def open_sheets(path: Path, mapping: Mapping) -> Source:
    """Open the sheets of a workbook that a mapping names, or the first sheet if it names none.

    Raises:
        SourceFileError: the file is not a workbook, or has no such sheet.
    """
    with _Book(path) as book:
        names = book.names
        wanted = [n for n in names if any(fnmatch(n, s) for s in mapping.sheets)] if mapping.sheets else names[:1]
        if not wanted:
            why = reason("no_such_sheet", wanted=", ".join(mapping.sheets), sheets=", ".join(names)[:200])
            raise SourceFileError("no_such_sheet", why)
        grids = [(name, book.grid(name)) for name in wanted]
    return Source(_header_text(grids[0][1], mapping), _pieces(grids, mapping))


def sheet_grids(path: Path) -> list[tuple[str, pl.DataFrame]]:
    """Return (name, cells as text) of every sheet of a workbook.

    Raises:
        SourceFileError: the file is not a workbook, or a sheet cannot be read.
    """
    with _Book(path) as book:
        return [(name, book.grid(name)) for name in book.names]


class _Book:
    """Workbook whose sheets are checked against limits before they are loaded.

    Raises:
        SourceFileError: the file is not a workbook, or exceeds a limit.
    """

    def __init__(self, path: Path) -> None:
        self.archive = checked_archive(path)
        try:
            self.bounds = WorkbookBounds(self.archive)
            self.book = _parsed("not_a_workbook", reason("not_a_workbook"), fastexcel.read_excel, path)
        except BaseException:
            self.archive.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.archive.close()

    @property
    def names(self) -> list[str]:
        """Names of the sheets, in order."""
        names: list[str] = self.book.sheet_names
        return names

    def grid(self, name: str) -> pl.DataFrame:
        """Return the cells of a sheet as text, from its first row.

        Raises:
            SourceFileError: the sheet cannot be read, or exceeds a limit.
        """
        self.bounds.check_sheet(name)
        grid = _parsed("sheet_unread", reason("sheet_unreadable", sheet=name), _load, self.book, name)
        if grid.width > MAX_COLUMNS:
            why = reason("sheet_too_many_columns", sheet=name, columns=grid.width, max_columns=MAX_COLUMNS)
            raise SourceFileError("too_many_columns", why)
        return grid


def _load(book: fastexcel.ExcelReader, name: str) -> pl.DataFrame:
    sheet = book.load_sheet_by_name(name, header_row=None, skip_rows=0, dtypes="string")
    return sheet.to_polars().cast(pl.String)


def _parsed(rule: str, why: Reason, parse: Callable[..., Result], *arguments: Any) -> Result:
    """Call a workbook parser and return its result.

    The parser raises many exception classes, including panics; all become one error.

    Raises:
        SourceFileError: the parser fails.
    """
    try:
        return parse(*arguments)
    except BaseException as problem:
        if not isinstance(problem, Exception) and not is_panic(problem):
            raise
        raise SourceFileError(rule, why) from problem


def _row(grid: pl.DataFrame, index: int) -> list[str]:
    """Return the cells of a row with normalized white space; empty beyond the last row."""
    return ["" if v is None else " ".join(str(v).split()) for v in grid.row(index)] if index < grid.height else []


def _header_text(grid: pl.DataFrame, mapping: Mapping) -> str:
    """Return the lines above the rows, with tabs between cells."""
    above = mapping.header_line + mapping.header_rows - 1 + (1 if mapping.unit_row else 0)
    return "\n".join("\t".join(_row(grid, i)) for i in range(above))


def _pieces(grids: list[tuple[str, pl.DataFrame]], mapping: Mapping) -> Iterator[Callable[[], Chunk]]:
    for name, grid in grids:
        yield partial(_piece, name, grid, mapping, is_only=len(grids) == 1)


def _piece(name: str, grid: pl.DataFrame, mapping: Mapping, *, is_only: bool) -> Chunk:
    first = mapping.header_line - 1
    header = [_row(grid, i) for i in range(first, first + mapping.header_rows)]
    if not any(any(row) for row in header):
        raise SourceFileError("no_header", reason("sheet_header_empty", row=mapping.header_line, sheet=name))
    columns = named_as_mapped(column_names(header), header, mapping.sources())
    missing = mapping.missing_sources(columns)
    if missing and not is_only:
        why = reason("sheet_lacks_column", column=" / ".join(missing))
        unread = rejected_rows([0], None, [f"sheet {name}"], "sheet_unread", why)
        return Chunk(pl.DataFrame(schema={LINE: pl.Int64}), 0, lambda lines: [""] * len(lines), unread, part=name)
    skip = first + mapping.header_rows + (1 if mapping.unit_row else 0)
    body = grid.rename(dict(zip(grid.columns, columns, strict=True))).with_row_index(LINE, offset=1).slice(skip)
    body = body.with_columns(pl.col(columns).str.strip_chars().replace(EMPTY_WORDS, [None] * len(EMPTY_WORDS)))
    body = body.filter(pl.any_horizontal(pl.col(columns).is_not_null()))

    def raw(lines: list[int]) -> list[str]:
        return ["\t".join("" if v is None else " ".join(v.split()) for v in grid.row(n - 1)) for n in lines]

    cells = body.with_columns(pl.col(LINE).cast(pl.Int64))
    above = tuple("\t".join(_row(grid, i)) for i in range(first))
    return Chunk(cells, 0, raw, part=name, findings=repeated_columns(header), preamble=above)
