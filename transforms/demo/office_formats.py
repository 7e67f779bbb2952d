"""Forms that the demo's offices write their lists in."""

from pathlib import Path

import polars as pl
import xlsxwriter

from transforms.demo.district import LOCAL_ZONE


def local_time(moment: pl.Expr) -> pl.Expr:
    """Return a moment in the demo's local time."""
    return moment.dt.convert_time_zone(LOCAL_ZONE)


def write_sheet(path: Path, sheet: str, table: pl.DataFrame) -> None:
    """Write a table as one sheet of a workbook, with its column names in the first row."""
    with xlsxwriter.Workbook(path, {"default_date_format": "yyyy-mm-dd hh:mm:ss", "remove_timezone": True}) as book:
        page = book.add_worksheet(sheet)
        page.write_row(0, 0, table.columns)
        for i, row in enumerate(table.iter_rows(), start=1):
            for j, value in enumerate(row):
                if value is not None:
                    page.write(i, j, value)
