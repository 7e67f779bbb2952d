"""Tables of pages: cells that keep values beside their texts, columns of header and cell, rows with marks.

A workbook receives numbers where a page shows text.
"""

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from typing import Any, ClassVar

from reports.language.display_units import NO_VALUE, number
from reports.language.translate import say


@dataclass(frozen=True)
class Cell:
    """Displayed text of a value with the value itself, its 95 % interval and a link to its rows.

    Attributes:
        text: displayed text.
        value: value in the displayed unit; None if missing.
        lo: lower bound of its 95 % interval.
        hi: upper bound of its 95 % interval.
        href: link to the rows behind it.
        strong: True if shown in bold.
        is_pale: True if few rows are behind it; the text says so.
    """

    text: str
    value: float | str | None = None
    lo: float | None = None
    hi: float | None = None
    href: str | None = None
    strong: bool = False
    is_pale: bool = False


def text_cell(text: Any, href: str | None = None, *, strong: bool = False) -> Cell:
    """Return a text cell; a dash if the text is missing."""
    shown = NO_VALUE if text is None or text == "" else str(text)
    return Cell(shown, None if shown == NO_VALUE else shown, href=href, strong=strong)


def number_cell(
    value: float | None,
    digits: int = 1,
    lo: float | None = None,
    hi: float | None = None,
    *,
    sign: bool = False,
    href: str | None = None,
    strong: bool = False,
) -> Cell:
    """Return a number cell with its 95 % interval if both bounds are given."""
    if value is None or not math.isfinite(value):
        return Cell(NO_VALUE)
    text = number(value, digits, sign=sign)
    if lo is not None and hi is not None:
        text = say("{value} ({lo} to {hi})", value=text, lo=number(lo, digits), hi=number(hi, digits))
    return Cell(text, value, lo, hi, href, strong)


def mean_cell(value: float | None, half: float | None, digits: int = 1) -> Cell:
    """Return a number cell with its 95 % interval, given the half-width of the interval."""
    if value is None or half is None:
        return number_cell(value, digits)
    return number_cell(value, digits, value - half, value + half)


def few_cell(cell: Cell, n: int | None, min_n: int, words: str) -> Cell:
    """Return a cell as it is, or pale and with words after its text if fewer than `min_n` rows are behind it."""
    if cell.value is None or (n or 0) >= min_n:
        return cell
    return replace(cell, text=say("{value}, {few}", value=cell.text, few=words), is_pale=True)


@dataclass(frozen=True)
class Heading:
    """Column header; numbers are right-aligned, texts left-aligned."""

    head: str
    numeric: bool = True
    wrap: bool = False


@dataclass(frozen=True)
class Column:
    """Column of a table: its header and the cell that it makes of a row.

    Attributes:
        head: text of the header.
        cell: function from a row of data to its cell.
        numeric: True if right-aligned.
        wrap: True if long texts wrap.
    """

    head: str
    cell: Callable[[Any], Cell]
    numeric: bool = True
    wrap: bool = False

    @property
    def heading(self) -> Heading:
        """Header without the cells."""
        return Heading(self.head, self.numeric, self.wrap)


@dataclass(frozen=True)
class Row:
    """Row of cells, with the marks that filters use (`machine`, `site`, `wetness`, `soil`)."""

    cells: tuple[Cell, ...]
    marks: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Table:
    """Table; on a phone each row becomes a block with each value under its column header.

    Attributes:
        id: unique on the page.
        name: short description of its contents; also the name of the workbook sheet.
        columns: column headers.
        rows: rows of cells.
        caption: units and the meaning of intervals and n.
        fits_phone: True if its few short columns stay side by side on a phone.
    """

    kind: ClassVar[str] = "table"
    id: str
    name: str
    columns: tuple[Heading, ...]
    rows: tuple[Row, ...]
    caption: str = ""
    fits_phone: bool = False


def figures(name: str, digits: int = 1) -> Callable[[Any], Cell]:
    """Return the cells of a column of numbers: the value under a name in each row, a mapping."""
    return lambda r: number_cell(r[name], digits)


def build_table(
    id_: str,
    name: str,
    columns: Iterable[Column],
    rows: Iterable[Any],
    caption: str = "",
    marks: Callable[[Any], dict[str, str]] = lambda _: {},
    *,
    fits_phone: bool = False,
) -> Table:
    """Return a table: its columns applied to rows of data, so that a header cannot drift from its cells.

    Args:
        id_: unique on the page.
        name: short description of its contents.
        columns: the columns, each with its header and cells.
        rows: rows of data, in the form that the columns' cells expect.
        caption: units and the meaning of intervals and n.
        marks: function from a row of data to the marks that filters use.
        fits_phone: True if its few short columns stay side by side on a phone.
    """
    shown = tuple(columns)
    filled = tuple(Row(tuple(c.cell(r) for c in shown), marks(r)) for r in rows)
    return Table(id_, name, tuple(c.heading for c in shown), filled, caption, fits_phone)
