"""Console output of lines and tables, with text from files escaped so that it cannot act as markup or control codes."""

import datetime as dt
import json
import unicodedata
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import typer
from rich.console import Console
from rich.table import Table
from rich.text import Text

if TYPE_CHECKING:
    import polars as pl

UNPRINTABLE = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
"""Unicode categories that move the cursor, change colours or direction, or have no glyph."""

FAILED_TITLE = "Files that could not be read (a quarantined file is read again only after it or its mapping changes)"


def printable(text: str) -> str:
    """Return text with every character that would control a terminal replaced by its escape code."""
    if text.isascii() and text.isprintable():
        return text
    return "".join(_escape(c) if unicodedata.category(c) in UNPRINTABLE else c for c in text)


def _escape(character: str) -> str:
    return character.encode("unicode_escape", "surrogatepass").decode("ascii")


def strong(text: Any) -> Text:
    """Return printable text in bold, as part of a line."""
    return Text(printable(str(text)), "bold")


def line_of(*parts: str | Text) -> Text:
    """Join parts into one line; plain strings are made printable."""
    return Text.assemble(*(part if isinstance(part, Text) else Text(printable(part)) for part in parts))


def print_line(console: Console, *parts: str | Text) -> None:
    """Print one line of a result; only the terminal wraps it."""
    console.print(line_of(*parts), highlight=False, soft_wrap=True)


def finish(as_json: bool, outcome: dict[str, Any], lines: Sequence[str | Text]) -> None:
    """Print the result of a command, as JSON or as lines."""
    if as_json:
        typer.echo(json.dumps(outcome, default=str))
        return
    console = Console()
    for line in lines:
        print_line(console, line)


def complain(text: str) -> None:
    """Print one line on standard error, prefixed with the name of the program."""
    typer.echo(f"taretrace: {printable(text)}", err=True)


def show(console: Console, title: str, frame: "pl.DataFrame", note: str = "") -> None:
    """Print a table with its title, and a note below it if one is given."""
    caption = Text(printable(note)) if note else None
    grid = Table(title=Text(printable(title)), title_justify="left", caption=caption, caption_justify="left")
    for column in frame.columns:
        name = Text(printable(column.replace("_", " ")))
        grid.add_column(name, overflow="fold", no_wrap=frame.schema[column].is_temporal())
    for row in frame.iter_rows():
        grid.add_row(*(Text(cell(v)) for v in row))
    console.print(grid)


def cell(value: Any) -> str:
    """Return a value formatted for reading, on one line."""
    if value is None:
        return ""
    if isinstance(value, dt.datetime):
        return value.strftime("%Y-%m-%d %H:%M")
    if isinstance(value, int) and not isinstance(value, bool):
        return f"{value:,}"
    text = f"{value:.4g}" if isinstance(value, float) else str(value)[:160]
    return printable(text.replace("\t", " | "))
