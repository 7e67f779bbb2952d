"""Reads sheets of a workbook, every cell as text: merged header cells, unit rows, totals, several sheets."""

from collections.abc import Callable, Iterator
from fnmatch import fnmatch
from functools import partial
from pathlib import Path

import fastexcel
import polars as pl

from transforms.errors import SourceFileError
from transforms.intake.archive import checked_archive
from transforms.intake.layout import MAX_COLUMNS, column_names, repeated_columns
from transforms.intake.mapping import Mapping
from transforms.intake.piece import EMPTY_WORDS, LINE, Piece, Source, rejected_rows


def open_sheets(path: Path, mapping: Mapping) -> Source:
    """Open the sheets of a workbook that a mapping names; the first where it names none.

    Raises:
        SourceFileError: it is no workbook, or has no such sheet.
    """
    book = _open(path)
    names = book.sheet_names
    wanted = [n for n in names if any(fnmatch(n, s) for s in mapping.sheets)] if mapping.sheets else names[:1]
    if not wanted:
        asked = ", ".join(mapping.sheets)
        raise SourceFileError("no_such_sheet", f"there is no sheet '{asked}'; it has {', '.join(names)[:200]}")
    grids = [(name, _grid(book, name)) for name in wanted]
    return Source(_header_text(grids[0][1], mapping), _pieces(grids, mapping))


def _open(path: Path) -> fastexcel.ExcelReader:
    checked_archive(path).close()
    try:
        return fastexcel.read_excel(path)
    except Exception as problem:
        # The parser's own faults come in many classes; all mean the same to a person.
        raise SourceFileError("not_a_workbook", "the file cannot be opened as a workbook; save it again") from problem


def sheet_grids(path: Path) -> list[tuple[str, pl.DataFrame]]:
    """Return every sheet of a workbook as text.

    Raises:
        SourceFileError: it is no workbook, or a sheet cannot be read.
    """
    book = _open(path)
    return [(name, _grid(book, name)) for name in book.sheet_names]


def _grid(book: fastexcel.ExcelReader, name: str) -> pl.DataFrame:
    """Return a sheet as text, a row a row of the sheet from its first."""
    try:
        sheet = book.load_sheet_by_name(name, header_row=None, skip_rows=0, dtypes="string")
        grid = sheet.to_polars().cast(pl.String)
    except Exception as problem:
        raise SourceFileError(
            "sheet_unread", f"the sheet '{name}' cannot be read; save the workbook again"
        ) from problem
    if grid.width > MAX_COLUMNS:
        raise SourceFileError(
            "too_many_columns", f"the sheet '{name}' has {grid.width:,} columns; at most {MAX_COLUMNS:,}"
        )
    return grid


def _row(grid: pl.DataFrame, index: int) -> list[str]:
    return ["" if v is None else " ".join(str(v).split()) for v in grid.row(index)] if index < grid.height else []


def _header_text(grid: pl.DataFrame, mapping: Mapping) -> str:
    above = mapping.header_line + mapping.header_rows - 1 + (1 if mapping.unit_row else 0)
    return "\n".join("\t".join(_row(grid, i)) for i in range(above))


def _pieces(grids: list[tuple[str, pl.DataFrame]], mapping: Mapping) -> Iterator[Callable[[], Piece]]:
    for name, grid in grids:
        yield partial(_piece, name, grid, mapping, alone=len(grids) == 1)


def _piece(name: str, grid: pl.DataFrame, mapping: Mapping, *, alone: bool) -> Piece:
    first = mapping.header_line - 1
    header = [_row(grid, i) for i in range(first, first + mapping.header_rows)]
    if not any(any(row) for row in header):
        raise SourceFileError(
            "no_header", f"row {mapping.header_line} of sheet '{name}' should hold the column names and is empty"
        )
    columns = column_names(header)
    missing = [s for s in mapping.sources() if s not in columns]
    if missing and not alone:
        says = f"the sheet has no column '{missing[0]}' and was not read"
        unread = rejected_rows([0], None, [f"sheet {name}"], "sheet_unread", says)
        return Piece(pl.DataFrame(schema={LINE: pl.Int64}), 0, lambda lines: [""] * len(lines), unread, part=name)
    skip = first + mapping.header_rows + (1 if mapping.unit_row else 0)
    body = grid.rename(dict(zip(grid.columns, columns, strict=True))).with_row_index(LINE, offset=1).slice(skip)
    body = body.with_columns(pl.col(columns).str.strip_chars().replace(EMPTY_WORDS, [None] * len(EMPTY_WORDS)))
    body = body.filter(pl.any_horizontal(pl.col(columns).is_not_null()))

    def raw(lines: list[int]) -> list[str]:
        return ["\t".join("" if v is None else " ".join(v.split()) for v in grid.row(n - 1)) for n in lines]

    cells = body.with_columns(pl.col(LINE).cast(pl.Int64))
    return Piece(cells, 0, raw, part=name, findings=repeated_columns(header))
