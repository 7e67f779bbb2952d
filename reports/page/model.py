"""Page model: sections of prose, figures, tables and cards, from which HTML, PDF and workbook are generated.

Every figure carries the sentence that states its finding and the table behind its chart.
Cells keep values beside their texts: a workbook receives numbers where a page shows text.
"""

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any, ClassVar

from reports.language.display_units import NOTHING, number
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
    """

    text: str
    value: float | str | None = None
    lo: float | None = None
    hi: float | None = None
    href: str | None = None
    strong: bool = False


def words(text: Any, href: str | None = None, *, strong: bool = False) -> Cell:
    """Return a text cell; a dash if the text is missing."""
    shown = NOTHING if text is None or text == "" else str(text)
    return Cell(shown, None if shown == NOTHING else shown, href=href, strong=strong)


def figure(
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
        return Cell(NOTHING)
    text = number(value, digits, sign=sign)
    if lo is not None and hi is not None:
        text = say("{value} ({lo} to {hi})", value=text, lo=number(lo, digits), hi=number(hi, digits))
    return Cell(text, value, lo, hi, href, strong)


def spanned(value: float | None, half: float | None, digits: int = 1) -> Cell:
    """Return a number cell with its 95 % interval, given the half-width of the interval."""
    if value is None or half is None:
        return figure(value, digits)
    return figure(value, digits, value - half, value + half)


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
    """

    kind: ClassVar[str] = "table"
    id: str
    name: str
    columns: tuple[Heading, ...]
    rows: tuple[Row, ...]
    caption: str = ""


def figures(name: str, digits: int = 1) -> Callable[[Any], Cell]:
    """Return the cells of a column of numbers: the value under a name in each row, a mapping."""
    return lambda r: figure(r[name], digits)


def table_of(
    id_: str,
    name: str,
    columns: Iterable[Column],
    rows: Iterable[Any],
    caption: str = "",
    marks: Callable[[Any], dict[str, str]] = lambda _: {},
) -> Table:
    """Return a table: its columns applied to rows of data, so that a header cannot drift from its cells.

    Args:
        id_: unique on the page.
        name: short description of its contents.
        columns: the columns, each with its header and cells.
        rows: rows of data, in the form that the columns' cells expect.
        caption: units and the meaning of intervals and n.
        marks: function from a row of data to the marks that filters use.
    """
    shown = tuple(columns)
    filled = tuple(Row(tuple(c.cell(r) for c in shown), marks(r)) for r in rows)
    return Table(id_, name, tuple(c.heading for c in shown), filled, caption)


@dataclass(frozen=True)
class Chart:
    """Vega-Lite specification and data of a chart; a shared specification is embedded once and referenced by name.

    Attributes:
        spec: specification with named data sources.
        datasets: rows of each named data source.
        shared: name of the shared specification on the page; None if not shared.
    """

    spec: dict[str, Any]
    datasets: dict[str, list[dict[str, Any]]] = field(default_factory=dict)
    shared: str | None = None

    @property
    def whole(self) -> dict[str, Any]:
        """Specification with its data included."""
        return {**self.spec, "datasets": {**self.spec.get("datasets", {}), **self.datasets}}


@dataclass(frozen=True)
class Figure:
    """Chart with the sentence it supports, reading instructions and its numbers.

    Attributes:
        id: unique on the page.
        finding: sentence generated from the numbers.
        reading: instructions for reading marks and intervals.
        chart: chart; None if there is nothing to draw, in which case the finding gives the reason.
        alt: description of the chart for screen readers.
        table: numbers shown in the chart; None only inside `Small`, which has one table for all its figures.
        open: True if the table is initially open.
    """

    kind: ClassVar[str] = "figure"
    id: str
    finding: str
    reading: str
    chart: Chart | None
    alt: str
    table: Table | None
    open: bool = False


@dataclass(frozen=True)
class Small:
    """Small figures of one kind side by side, with one table of all their numbers."""

    kind: ClassVar[str] = "small"
    blocks: tuple[Figure, ...]
    table: Table


@dataclass(frozen=True)
class Prose:
    """Paragraph; `link` adds a link (text, target) at its end, `note` marks it as a caution."""

    kind: ClassVar[str] = "prose"
    text: str
    link: tuple[str, str] | None = None
    note: bool = False


@dataclass(frozen=True)
class MoveCard:
    """Instruction with lines on its effect and certainty."""

    words: str
    lines: tuple[str, ...]


@dataclass(frozen=True)
class Card:
    """Card of one machine, load or class: title, badge, lines, instructions and further blocks."""

    kind: ClassVar[str] = "card"
    title: str
    badge: str
    lines: tuple[str, ...] = ()
    moves: tuple[MoveCard, ...] = ()
    blocks: tuple[Any, ...] = ()
    marks: dict[str, str] = field(default_factory=dict)
    anchor: str | None = None


@dataclass(frozen=True)
class Cards:
    """Cards side by side."""

    kind: ClassVar[str] = "cards"
    cards: tuple[Card, ...]


@dataclass(frozen=True)
class Fold:
    """Blocks collapsed under a summary line."""

    kind: ClassVar[str] = "fold"
    summary: str
    blocks: tuple[Any, ...]
    open: bool = False
    marks: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Filters:
    """Filter choices for cards, rows, folds and lists of loads: mark -> (label, values with their labels)."""

    kind: ClassVar[str] = "filters"
    choices: dict[str, tuple[str, tuple[tuple[str, str], ...]]]


@dataclass(frozen=True)
class LoadList:
    """List of loads that the page's script renders in batches and that filters and links narrow.

    Attributes:
        id: unique on the page.
        columns: column headers.
        marks: mark -> index of the column that filters use.
        rows: one tuple of values per load; numbers already rounded.
        digits: decimals of each column; None for text.
        named: stored value -> displayed text.
    """

    kind: ClassVar[str] = "loads"
    id: str
    columns: tuple[Heading, ...]
    marks: dict[str, int]
    rows: tuple[tuple[Any, ...], ...]
    digits: tuple[int | None, ...]
    named: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Section:
    """Section of a page with a heading; `code` is its state, for programs that read the page."""

    id: str
    title: str
    blocks: tuple[Any, ...]
    code: str | None = None


@dataclass(frozen=True)
class Page:
    """Complete page.

    A static page has its charts as pictures and no script: small enough to send by the hundred.

    Attributes:
        title: heading.
        when: season, dates and audience.
        lead: main result in one or two sentences.
        caution: shown below the lead on pages that advise settings.
        sections: sections in order.
        footer: run, fingerprint, row counts and mass closure.
        static: True if charts are pictures.
    """

    title: str
    when: str
    lead: str
    caution: str | None
    sections: tuple[Section, ...]
    footer: tuple[str, ...]
    static: bool = False

    def walk(self) -> list[Any]:
        """Return every block in order, including those inside cards and folds."""
        out: list[Any] = []

        def visit(blocks: tuple[Any, ...]) -> None:
            for b in blocks:
                out.append(b)
                visit(getattr(b, "cards", ()) or getattr(b, "blocks", ()))

        for section in self.sections:
            visit(section.blocks)
        return out

    @property
    def figures(self) -> list[Figure]:
        """Figures that have a chart."""
        return [b for b in self.walk() if isinstance(b, Figure) and b.chart is not None]

    @property
    def tables(self) -> list[Table]:
        """Tables, including those behind charts."""
        tables = []
        for b in self.walk():
            if isinstance(b, Table):
                tables.append(b)
            elif isinstance(b, Figure | Small) and b.table is not None:
                tables.append(b.table)
        return tables
