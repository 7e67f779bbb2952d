"""Workbooks for tests."""

from pathlib import Path
from typing import Any

import xlsxwriter


def write_book(path: Path, sheets: dict[str, list[list[Any]]]) -> Path:
    """Write a workbook from the rows of its sheets, and return its path."""
    with xlsxwriter.Workbook(path) as out:
        for name, rows in sheets.items():
            page = out.add_worksheet(name)
            for i, row in enumerate(rows):
                page.write_row(i, 0, row)
    return path
