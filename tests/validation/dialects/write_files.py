"""Writer of invented files: delimited text, workbooks and Parquet."""

import datetime as dt
from pathlib import Path
from typing import Any

import polars as pl
import xlsxwriter

from tests.validation.dialects.arrange import totals_row
from tests.validation.dialects.office import Office
from tests.validation.dialects.style import Style
from tests.validation.dialects.truth import DialectFile, FileColumn, FileTable


def write_office(office: Office, folder: Path) -> list[Path]:
    """Write all files of an office; return their paths in order."""
    folder.mkdir(parents=True, exist_ok=True)
    return [write_file(file, folder) for file in office.files]


def write_file(file: DialectFile, folder: Path) -> Path:
    """Write a file; return its path."""
    path = folder / file.name
    {"delimited": _write_text, "sheet": _write_workbook, "parquet": _write_parquet}[file.form](file, path)
    return path


def header_rows(table: FileTable, style: Style) -> list[list[str]]:
    """Return the header of a table: one row or two, and a row of units if the style has one."""
    named = [style.header(c.name, c.unit) for c in table.columns]
    rows = [named]
    if any(c.group for c in table.columns):
        is_below = style.group_layout == "below"
        top = [c.group or ("" if is_below else name) for c, name in zip(table.columns, named, strict=True)]
        if style.group_layout != "repeated":
            above = [c.group for c in table.columns]
            top = ["" if i and above[i] and above[i - 1] == above[i] else text for i, text in enumerate(top)]
        rows = [top, [name if c.group or is_below else "" for c, name in zip(table.columns, named, strict=True)]]
    if style.unit_place == "row":
        rows.append([style.unit_cell.format(unit=c.unit) if c.unit else style.no_unit for c in table.columns])
    return rows


def cell_text(cell: Any, column: FileColumn, style: Style) -> str:
    """Return a cell as the text that an office writes."""
    if cell is None:
        return style.empty_mark
    if isinstance(cell, dt.date):
        return cell.strftime("%Y-%m-%d")
    if not isinstance(cell, (int, float)):
        return str(cell)
    is_time = bool(column.meanings and column.meanings[0].format)
    grouping = "," if style.thousands and not is_time and column.meanings else ""
    text = f"{cell:{grouping}.{column.decimals}f}"
    return text.replace(",", "\0").replace(".", style.decimal).replace("\0", style.thousands)


def _lines(file: DialectFile) -> list[list[str]]:
    table, style = file.tables[0], file.style
    columns = [[cell_text(c, column, style) for c in column.cells] for column in table.columns]
    lines = [*header_rows(table, style), *(list(r) for r in zip(*columns, strict=True))]
    if file.total_word:
        sums = totals_row(table.columns, file.total_word)
        lines.append(
            [cell_text(c, k, style) if c is not None else "" for c, k in zip(sums, table.columns, strict=True)]
        )
    return lines


def _quoted(cell: str, style: Style) -> str:
    needs = style.is_quoted or style.separator in cell or '"' in cell
    return '"' + cell.replace('"', '""') + '"' if needs else cell


def _write_text(file: DialectFile, path: Path) -> None:
    style = file.style
    lines = [style.separator.join(_quoted(c, style) for c in row) for row in _lines(file)]
    text = "\r\n".join([*file.preamble, *lines, ""])
    if style.encoding.startswith("cp"):
        text = text.replace("²", "2")
    path.write_bytes((b"\xef\xbb\xbf" if style.has_bom else b"") + text.encode(style.encoding))


def _write_workbook(file: DialectFile, path: Path) -> None:
    book = xlsxwriter.Workbook(str(path), {"remove_timezone": True})
    moment = book.add_format({"num_format": "dd.mm.yyyy hh:mm:ss"})
    for number, table in enumerate(file.tables):
        sheet = book.add_worksheet(table.sheet[:31])
        preamble = file.preamble if number == 0 else []
        for i, line in enumerate(preamble):
            sheet.write(i, 0, line)
        top = len(preamble)
        for i, header in enumerate(header_rows(table, file.style)):
            for j, text in enumerate(header):
                sheet.write(top + i, j, text)
        body = top + len(header_rows(table, file.style))
        for j, column in enumerate(table.columns):
            for i, cell in enumerate(column.cells):
                _write_cell(sheet, body + i, j, cell, moment)
        if file.total_word:
            for j, cell in enumerate(totals_row(table.columns, file.total_word)):
                _write_cell(sheet, body + len(table.columns[0].cells), j, cell, moment)
    book.close()


def _write_cell(sheet: Any, row: int, column: int, cell: Any, moment: Any) -> None:
    if isinstance(cell, dt.date):
        sheet.write_datetime(row, column, cell, moment)
    elif isinstance(cell, str):
        sheet.write_string(row, column, cell)
    elif cell is not None:
        sheet.write_number(row, column, cell)


def _write_parquet(file: DialectFile, path: Path) -> None:
    table = file.tables[0]
    names = header_rows(table, file.style)[0]
    pl.DataFrame(
        {n: pl.Series(c.cells, strict=False) for n, c in zip(names, table.columns, strict=True)}
    ).write_parquet(path)
