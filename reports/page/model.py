"""What a page is made of: sections of prose, figures, tables, cards. HTML, PDF and workbook are made from it.

Every figure brings the sentence that states its finding and the table behind its chart, so no chart can go without.
Values stay beside their texts: a workbook gets numbers where a page shows words.
"""

import math
from dataclasses import dataclass, field
from typing import Any, ClassVar

from reports.language.display_units import NOTHING, number
from reports.language.translate import say


@dataclass(frozen=True)
class Cell:
    """A value as shown, with the value itself, its 95 % interval and where its rows are listed.

    Attributes:
        text: what is shown.
        value: the bare value, in the unit shown; None where there is none.
        lo: low end of its 95 % interval.
        hi: high end.
        href: link to the rows behind it.
        strong: shown bold.
    """

    text: str
    value: float | str | None = None
    lo: float | None = None
    hi: float | None = None
    href: str | None = None
    strong: bool = False


def words(text: Any, href: str | None = None, *, strong: bool = False) -> Cell:
    """Return a cell of text; a dash where there is none."""
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
    """Return a cell of a number with its interval, if it has one."""
    if value is None or not math.isfinite(value):
        return Cell(NOTHING)
    text = number(value, digits, sign=sign)
    if lo is not None and hi is not None:
        text = say("{value} ({lo} to {hi})", value=text, lo=number(lo, digits), hi=number(hi, digits))
    return Cell(text, value, lo, hi, href, strong)


def spanned(value: float | None, half: float | None, digits: int = 1) -> Cell:
    """Return a cell of a number with its interval, given half of it."""
    if value is None or half is None:
        return figure(value, digits)
    return figure(value, digits, value - half, value + half)


@dataclass(frozen=True)
class Column:
    """A column's head; numbers stand right, texts left."""

    head: str
    numeric: bool = True
    wrap: bool = False


@dataclass(frozen=True)
class Row:
    """A row of cells, and the marks that filters look at (`machine`, `site`, `wetness`, `soil`)."""

    cells: tuple[Cell, ...]
    marks: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Table:
    """A table; on a phone its rows become blocks with each value under its column's head.

    Attributes:
        id: unique on the page; the workbook's sheet bears its name.
        name: what it holds, in a few words.
        columns: its columns.
        rows: its rows.
        caption: units, what intervals and n are.
    """

    kind: ClassVar[str] = "table"
    id: str
    name: str
    columns: tuple[Column, ...]
    rows: tuple[Row, ...]
    caption: str = ""


@dataclass(frozen=True)
class Chart:
    """A chart's Vega-Lite specification; charts that share one name it, and bring only their data.

    Attributes:
        spec: the specification, its data named.
        datasets: rows of each named data source.
        shared: name under which the specification stands on the page once.
    """

    spec: dict[str, Any]
    datasets: dict[str, list[dict[str, Any]]] = field(default_factory=dict)
    shared: str | None = None

    @property
    def whole(self) -> dict[str, Any]:
        """The specification with its data in it."""
        return {**self.spec, "datasets": {**self.spec.get("datasets", {}), **self.datasets}}


@dataclass(frozen=True)
class Figure:
    """A chart with the sentence it proves, how to read it, and its numbers.

    Attributes:
        id: unique on the page.
        finding: the sentence, generated from the numbers.
        reading: how to read marks and intervals.
        chart: the chart; None where there is nothing to draw, and then the finding says why.
        alt: what the chart shows, for those who do not see it.
        table: the numbers drawn; None only inside `Small`, which has them for all its figures.
        open: whether the table stands open at first.
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
    """Small figures of one kind side by side, with one table of all they draw."""

    kind: ClassVar[str] = "small"
    blocks: tuple[Figure, ...]
    table: Table


@dataclass(frozen=True)
class Prose:
    """A paragraph; `anchor` links it to a part of the page, `note` sets it off as a caution."""

    kind: ClassVar[str] = "prose"
    text: str
    link: tuple[str, str] | None = None
    note: bool = False


@dataclass(frozen=True)
class MoveCard:
    """An instruction and the lines that say what it does and how sure that is."""

    words: str
    lines: tuple[str, ...]


@dataclass(frozen=True)
class Card:
    """One machine, load or class: a title, a figure beside it, lines, instructions, and what lies beneath."""

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
    """Blocks under one line that opens."""

    kind: ClassVar[str] = "fold"
    summary: str
    blocks: tuple[Any, ...]
    open: bool = False
    marks: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Filters:
    """Choices that narrow cards, rows, folds and lists of loads: mark -> (label, values with their words)."""

    kind: ClassVar[str] = "filters"
    choices: dict[str, tuple[str, tuple[tuple[str, str], ...]]]


@dataclass(frozen=True)
class LoadList:
    """Loads, a row each, drawn by the page's script a hundred at a time; filters and links narrow it.

    Attributes:
        id: unique on the page.
        columns: heads; the first so many as there are `marks` hold what filters look at.
        marks: mark -> position of its column.
        rows: values, a tuple a load; numbers already rounded.
        digits: decimals of each column; None for text.
        named: how values that filters know are shown.
    """

    kind: ClassVar[str] = "loads"
    id: str
    columns: tuple[Column, ...]
    marks: dict[str, int]
    rows: tuple[tuple[Any, ...], ...]
    digits: tuple[int | None, ...]
    named: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Section:
    """A part of a page with a heading; `code` is its state, for programs that read the page."""

    id: str
    title: str
    blocks: tuple[Any, ...]
    code: str | None = None


@dataclass(frozen=True)
class Page:
    """A whole page.

    A static page has its charts as pictures and no script: small enough to send by the hundred.

    Attributes:
        title: its heading.
        when: season, dates and whose it is.
        lead: the answer, in a sentence or two.
        caution: stands under the lead wherever settings are advised.
        sections: its parts.
        footer: run, fingerprint, rows, closure.
        static: charts as pictures.
    """

    title: str
    when: str
    lead: str
    caution: str | None
    sections: tuple[Section, ...]
    footer: tuple[str, ...]
    static: bool = False

    def walk(self) -> list[Any]:
        """Return every block in order, those inside cards and folds too."""
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
        """Every figure that has a chart."""
        return [b for b in self.walk() if isinstance(b, Figure) and b.chart is not None]

    @property
    def tables(self) -> list[Table]:
        """Every table, those behind charts too."""
        found = []
        for b in self.walk():
            if isinstance(b, Table):
                found.append(b)
            elif isinstance(b, Figure | Small) and b.table is not None:
                found.append(b.table)
        return found
