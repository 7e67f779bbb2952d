"""Workbook output: one sheet per table, numbers as numbers, interval bounds in separate columns."""

import re
from pathlib import Path
from typing import Any

import xlsxwriter

from reports.language.bidi import without_isolates
from reports.language.translate import say
from reports.page.model import LoadList, Page
from reports.page.tables import Table

MAX_NAME_LENGTH = 31
"""Maximum length of a sheet name in Excel."""


def _sheet_name(wanted: str, taken: set[str]) -> str:
    plain = re.sub(r"[\[\]:*?/\\']", " ", without_isolates(wanted))[:MAX_NAME_LENGTH].strip() or "table"
    name, n = plain, 2
    while name.lower() in taken:
        name, n = f"{plain[: MAX_NAME_LENGTH - len(str(n)) - 1]} {n}", n + 1
    taken.add(name.lower())
    return name


def _write(sheet: Any, at: tuple[int, int], value: Any) -> None:
    if value is None:
        return
    if isinstance(value, str):
        sheet.write_string(*at, value)  # never a formula, because ids and names are untrusted
    else:
        sheet.write_number(*at, value)


def _put_table(book: Any, t: Table, name: str) -> None:
    sheet, bold = book.add_worksheet(name), book.add_format({"bold": True, "text_wrap": True})
    spans = [any(r.cells[i].lo is not None for r in t.rows) for i in range(len(t.columns))]
    heads: list[str] = []
    places: list[int] = []
    for column, span in zip(t.columns, spans, strict=True):
        places.append(len(heads))
        heads += [column.head] + ([say("low 95 %"), say("high 95 %")] if span else [])
    sheet.write_string(0, 0, without_isolates(t.caption or t.name))
    for i, head in enumerate(heads):
        sheet.write_string(1, i, head, bold)
    for y, row in enumerate(t.rows, start=2):
        for cell, x, span in zip(row.cells, places, spans, strict=True):
            _write(sheet, (y, x), cell.value)
            if span:
                _write(sheet, (y, x + 1), cell.lo)
                _write(sheet, (y, x + 2), cell.hi)
    sheet.freeze_panes(2, 1)
    sheet.set_column(0, len(heads), 14)


def _put_loads(book: Any, loads: LoadList, name: str) -> None:
    sheet, bold = book.add_worksheet(name), book.add_format({"bold": True, "text_wrap": True})
    for i, c in enumerate(loads.columns):
        sheet.write_string(0, i, c.head, bold)
    for y, row in enumerate(loads.rows, start=1):
        for x, value in enumerate(row):
            _write(sheet, (y, x), loads.named.get(value, value) if isinstance(value, str) else value)
    sheet.freeze_panes(1, 1)
    sheet.autofilter(0, 0, len(loads.rows), len(loads.columns) - 1)
    sheet.set_column(0, len(loads.columns), 14)


def write_workbook(page: Page, path: Path) -> Path:
    """Write a first sheet with title, lead and footer, then one sheet per table and list of loads; return the path."""
    path.parent.mkdir(parents=True, exist_ok=True)
    partial, taken = path.with_suffix(".partial.xlsx"), set[str]()
    with xlsxwriter.Workbook(str(partial), {"strings_to_formulas": False, "strings_to_urls": False}) as book:
        about = book.add_worksheet(_sheet_name(say("about"), taken))
        for i, line in enumerate((page.title, page.when, page.lead, page.caution or "", *page.footer)):
            about.write_string(i, 0, without_isolates(line))
        for t in page.tables:
            _put_table(book, t, _sheet_name(t.name, taken))
        for b in page.walk():
            if isinstance(b, LoadList):
                _put_loads(book, b, _sheet_name(say("loads"), taken))
    return partial.replace(path)
