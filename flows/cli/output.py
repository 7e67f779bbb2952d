"""Console output of lines and tables, with text from files escaped so that it cannot act as markup or control codes."""

import json
from collections.abc import Sequence
from string import Formatter
from typing import Any

import typer
from rich.console import Console
from rich.text import Text

from flows.cli.console_table import ConsoleTable, line_ends, tab_separated, table_lines
from flows.cli.printable import printable
from reports.language.bidi import without_isolates
from reports.language.display_units import number
from reports.language.translate import Counted, say, translated, translated_n


def strong(text: Any) -> Text:
    """Return printable text in bold, as part of a line."""
    return Text(printable(without_isolates(str(text))), "bold")


def line_of(*parts: str | Text) -> Text:
    """Join parts into one line; plain strings are made printable, without the isolates of right-to-left names."""
    texts = (part if isinstance(part, Text) else Text(printable(without_isolates(part))) for part in parts)
    return Text.assemble(*texts)


def line_with(text: str | Counted, *, n: int = 0, **values: str | Text) -> Text:
    """Return a marked text in the language of the workspace, with values in their own style inserted.

    Args:
        text: text of the catalogue.
        n: count of a text with a plural.
        values: what is inserted.
    """
    values["n"] = number(n, 0)
    parts: list[str | Text] = []
    for literal, name, _, _ in Formatter().parse(translated(text) if isinstance(text, str) else translated_n(text, n)):
        parts += [literal, *([values[name]] if name is not None else [])]
    return line_of(*parts)


def print_line(console: Console, *parts: str | Text) -> None:
    """Print one line of a result; a terminal shows it wrapped between words, with its indentation."""
    line = line_of(*parts)
    if not console.is_terminal:
        _print_unwrapped(console, line)
        return
    indent = len(line.plain) - len(line.plain.lstrip())
    for part in line[indent:].divide(line_ends(line.plain[indent:], console.width - indent)):
        part.rstrip()
        _print_unwrapped(console, Text(" " * indent) + part)


def _print_unwrapped(console: Console, line: Text) -> None:
    console.print(line, highlight=False, soft_wrap=True)


def finish(
    as_json: bool, outcome: dict[str, Any], lines: Sequence[str | Text], tables: Sequence[ConsoleTable] = ()
) -> None:
    """Print the result of a command, as JSON or as tables and lines."""
    if as_json:
        typer.echo(json.dumps(outcome, default=str))
        return
    show(*tables)
    console = prose_console() if tables else Console()
    for line in lines:
        print_line(console, line)


def prose_console() -> Console:
    """Return the console of lines that accompany a table: standard error if only the table is to be piped."""
    return Console(stderr=not Console().is_terminal)


def complain(text: str) -> None:
    """Print one line on standard error, prefixed with the name of the program."""
    print_line(Console(stderr=True), f"taretrace: {text}")


def show(*tables: ConsoleTable, stderr: bool = False) -> None:
    """Print tables: for reading on a terminal, else as tab-separated fields with their titles on standard error."""
    console = Console(stderr=stderr)
    for n, table in enumerate(tables):
        if n:
            _print_unwrapped(console, Text(""))
        if console.is_terminal:
            print_line(console, strong(table.title), "" if table.rows else say(": none"))
            for line in table_lines(table, console.width) if table.rows else ():
                _print_unwrapped(console, line)
        else:
            print_line(prose_console(), table.title)
            console.file.writelines(f"{line}\n" for line in tab_separated(table))
