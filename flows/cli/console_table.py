"""Layouts of console tables: a grid, one record per block if a grid does not fit, and tab-separated fields."""

import re
from collections.abc import Iterator
from dataclasses import dataclass

from rich.cells import cell_len
from rich.text import Text

from flows.cli.columns import Column, Row, field_text, is_number, shown_text
from flows.cli.printable import printable

GAP = "  "
WORD = re.compile(r"\S+(?: [%°]\S*)?")
"""A word, which is never broken; a number keeps its percent or degree sign."""
MAX_CELL_LINES = 4
"""A grid whose cells would need more lines is shown as records."""


@dataclass(frozen=True)
class ConsoleTable:
    """Table of a command: its title, columns and rows."""

    title: str
    columns: tuple[Column, ...]
    rows: list[Row]


@dataclass(frozen=True)
class _Grid:
    """Texts of a table by column, with the headings first."""

    columns: list[list[str]]
    is_numeric: list[bool]

    @property
    def natural(self) -> list[int]:
        """Widths that no cell needs to be wrapped for."""
        return [max(map(cell_len, texts)) for texts in self.columns]

    @property
    def narrowest(self) -> list[int]:
        """Widths of the longest word, or of the longest number, in each column."""
        words = [
            [w for t in texts[: 1 if fixed else None] for w in WORD.findall(t)] + (texts[1:] if fixed else [])
            for texts, fixed in zip(self.columns, self.is_numeric, strict=True)
        ]
        return [max(map(cell_len, column), default=0) for column in words]


def wrap_words(text: str, width: int) -> list[str]:
    """Return text in lines of at most `width` cells, broken only between words; a longer word has its own line.

    >>> wrap_words("the row is cut short", 10)
    ['the row is', 'cut short']
    """
    ends = line_ends(text, width)
    return [text[a:b].rstrip() for a, b in zip([0, *ends], [*ends, len(text)], strict=True)]


def line_ends(text: str, width: int) -> list[int]:
    """Return the positions at which text is broken into lines of at most `width` cells, each before a word."""
    ends, start = [], 0
    for word in WORD.finditer(text):
        if word.start() > start and cell_len(text[start : word.end()]) > width:
            start = word.start()
            ends.append(start)
    return ends


def tab_separated(table: ConsoleTable) -> Iterator[str]:
    """Yield the header line and the rows of a table, fields separated by tabs."""
    yield "\t".join(field_text(c.heading) for c in table.columns)
    for row in table.rows:
        yield "\t".join(field_text(c.value(row)) for c in table.columns)


def table_lines(table: ConsoleTable, width: int) -> Iterator[Text]:
    """Yield the lines of a table for a terminal of some width, without its title."""
    values = [[c.value(row) for row in table.rows] for c in table.columns]
    grid = _Grid(
        [[printable(c.heading), *map(shown_text, column)] for c, column in zip(table.columns, values, strict=True)],
        [all(v is None or not isinstance(v, str) for v in column) for column in values],
    )
    widths = _fit(grid, width - len(GAP) * (len(table.columns) - 1))
    if widths is None:
        yield from _records(grid, width)
    else:
        right = [any(map(is_number, column)) for column in values]
        yield from _grid_lines(grid, widths, right)


def _fit(grid: _Grid, width: int) -> list[int] | None:
    """Return column widths for a grid that fits; None if a word would be broken or a cell be too tall."""
    widths, natural = grid.narrowest, grid.natural
    if sum(widths) > width:
        return None
    free = width - sum(widths)
    while free and (short := [i for i, w in enumerate(widths) if w < natural[i]]):
        # The column whose cells would need the most lines grows first.
        i = max(short, key=lambda j: natural[j] / widths[j])
        widths[i] += 1
        free -= 1
    tallest = max(len(wrap_words(text, w)) for texts, w in zip(grid.columns, widths, strict=True) for text in texts)
    return widths if tallest <= MAX_CELL_LINES else None


def _grid_lines(grid: _Grid, widths: list[int], right: list[bool]) -> Iterator[Text]:
    for n, row in enumerate(zip(*grid.columns, strict=True)):
        cells = [wrap_words(text, w) for text, w in zip(row, widths, strict=True)]
        for at in range(max(map(len, cells))):
            parts = [
                _pad(cell[at] if at < len(cell) else "", w, right=side)
                for cell, w, side in zip(cells, widths, right, strict=True)
            ]
            yield Text(GAP.join(parts).rstrip(), "bold" if n == 0 else "")
        if n == 0:
            yield Text(GAP.join("─" * w for w in widths), "dim")


def _pad(text: str, width: int, *, right: bool) -> str:
    fill = " " * (width - cell_len(text))
    return fill + text if right else text + fill


def _records(grid: _Grid, width: int) -> Iterator[Text]:
    headings, *rows = zip(*grid.columns, strict=True)
    for n, row in enumerate(rows):
        if n:
            yield Text("")
        for heading, text in zip(headings, row, strict=True):
            first, *more = wrap_words(f"{heading}: {text}", width)
            yield Text(first)
            for line in more and wrap_words(" ".join(more), width - len(GAP)):
                yield Text(GAP + line)
