"""Page model: sections of prose, figures, tables and cards, from which HTML, PDF and workbook are generated.

Every figure carries the sentence that states its finding and the table behind its chart (`tables.py`).
"""

from dataclasses import dataclass, field
from typing import Any, ClassVar

from reports.page.district_map import DistrictMap
from reports.page.summary import CabCard
from reports.page.tables import Heading, Table


@dataclass(frozen=True)
class Chart:
    """Vega-Lite specification and data of a chart; a shared specification is embedded once and referenced by name.

    Attributes:
        spec: specification with named data sources.
        datasets: rows of each named data source.
        shared: name of the shared specification on the page; None if not shared.
        height: height in pixels; None for that of the specification.
        shares_axes: True if the axes of its picture are drawn once for all with the same domains (`plain_marks.py`).
    """

    spec: dict[str, Any]
    datasets: dict[str, list[dict[str, Any]]] = field(default_factory=dict)
    shared: str | None = None
    height: int | None = None
    shares_axes: bool = False

    @property
    def sized(self) -> dict[str, Any]:
        """Specification with its height, without data."""
        return self.spec if self.height is None else {**self.spec, "height": self.height}


@dataclass(frozen=True)
class Figure:
    """Chart with the sentence it supports, reading instructions and its numbers.

    Attributes:
        id: unique on the page.
        finding: sentence generated from the numbers.
        reading: instructions for reading marks and intervals.
        chart: chart; None if there is nothing to draw, in which case the finding gives the reason.
        alt: description of the chart for screen readers.
        table: numbers shown in the chart; None only inside `SmallMultiples`, which has one table for all its figures.
        open: True if the table is initially open.
        on_paper: False if the PDF leaves the table to the web page and the workbook.
    """

    kind: ClassVar[str] = "figure"
    id: str
    finding: str
    reading: str
    chart: Chart | None
    alt: str
    table: Table | None
    open: bool = False
    on_paper: bool = True


@dataclass(frozen=True)
class LineKey:
    """Meaning of a line that every chart of a group draws: its label, colour and dashes (lengths of line and gap)."""

    label: str
    colour: str
    dash: tuple[int, ...]


@dataclass(frozen=True)
class SmallMultiples:
    """Small figures of one kind side by side, with one key of their lines and one table of all their numbers."""

    kind: ClassVar[str] = "small"
    blocks: tuple[Figure, ...]
    table: Table
    key: tuple[LineKey, ...] = ()


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
    """Blocks collapsed under a summary line; `on_paper` is False for blocks that a PDF leaves out."""

    kind: ClassVar[str] = "fold"
    summary: str
    blocks: tuple[Any, ...]
    open: bool = False
    marks: dict[str, str] = field(default_factory=dict)
    on_paper: bool = True


@dataclass(frozen=True)
class Filters:
    """Filter of cards, rows, folds and lists of loads.

    Attributes:
        choices: mark -> (label, values with their labels).
        start: mark -> value chosen when the page is opened; empty to show all.
    """

    kind: ClassVar[str] = "filters"
    choices: dict[str, tuple[str, tuple[tuple[str, str], ...]]]
    start: dict[str, str] = field(default_factory=dict)


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
    """Section of a page with a heading; an empty heading is not shown.

    `code` is the state of the section, for programs that read the page; `new_page` starts a sheet of paper.
    """

    id: str
    title: str
    blocks: tuple[Any, ...]
    code: str | None = None
    new_page: bool = False


@dataclass(frozen=True)
class Page:
    """Complete page.

    A static page has its charts as pictures and no script: small enough to send by the hundred.

    Attributes:
        title: heading: the page's answer in a few words.
        when: line above the heading: dates, season, conditions or audience.
        lead: main result in one or two sentences.
        caution: shown below the lead on pages that advise settings.
        sections: sections in order.
        footer: run, fingerprint, row counts and mass closure.
        static: True if charts are pictures.
        name: name of the page in the browser's title bar; the heading if empty.
        back: (text, target) of the page that this one belongs to.
        cab_cards: cards for the cab, on paper only.
    """

    title: str
    when: str
    lead: str
    caution: str | None
    sections: tuple[Section, ...]
    footer: tuple[str, ...]
    static: bool = False
    name: str = ""
    back: tuple[str, str] | None = None
    cab_cards: tuple[CabCard, ...] = ()

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
            elif isinstance(b, Figure | SmallMultiples) and b.table is not None:
                tables.append(b.table)
            elif isinstance(b, DistrictMap):
                tables.extend(b.tables)
        return tables
