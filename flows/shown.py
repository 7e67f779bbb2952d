"""Tables on a terminal: text of files is shown as it is, never as markup."""

import datetime as dt
from typing import Any

import polars as pl
from rich.console import Console
from rich.table import Table

FAILED_TITLE = "Files whose reading failed (one in quarantine is not read again until it or its mapping changes)"


def show(console: Console, title: str, frame: pl.DataFrame, note: str = "") -> None:
    """Print a table; text of files is shown as it is, never as markup."""
    grid = Table(title=title, title_justify="left", caption=note or None, caption_justify="left")
    for column in frame.columns:
        grid.add_column(column.replace("_", " "), overflow="fold", no_wrap=frame.schema[column].is_temporal())
    for row in frame.iter_rows():
        grid.add_row(*(cell(v) for v in row))
    console.print(grid, markup=False)


def cell(value: Any) -> str:
    """A value as people read it; what cannot be printed is marked."""
    if value is None:
        return ""
    if isinstance(value, dt.datetime):
        return value.strftime("%Y-%m-%d %H:%M")
    if isinstance(value, int) and not isinstance(value, bool):
        return f"{value:,}"
    text = f"{value:.4g}" if isinstance(value, float) else str(value)[:160]
    return "".join(c if c.isprintable() else "�" for c in text.replace("\t", " | ")).replace("[", "\\[")
