"""The verb `map`."""

from pathlib import Path
from typing import Annotated

import typer

HERE = Path()
Json = Annotated[bool, typer.Option("--json", help="Print the outcome as JSON on standard output, nothing else.")]


def map_file(
    file: Annotated[Path, typer.Argument(help="One file of the new kind of export (or a task-data folder).")],
    folder: Annotated[Path, typer.Option("--workspace", "-w", help="The workspace folder.")] = HERE,
    answer: Annotated[
        list[str], typer.Option("--answer", "-a", help="KEY=VALUE, an answer given beforehand; repeat it.")
    ] = [],  # noqa: B006
    name: Annotated[str | None, typer.Option(help="The mapping's name; made of kind and file where not given.")] = None,
    ask: Annotated[
        bool | None, typer.Option("--ask/--no-ask", help="Ask what is unsure; by itself where a person sits there.")
    ] = None,
    json_wanted: Json = False,
) -> None:
    """Look at a new export, propose how to read it, show ten rows as they would be read, and save the mapping.

    Nothing is guessed that matters: a unit that the file does not say is asked for.
    """
    from flows.map_talk import talk

    talk(file, folder, answer, name, ask=ask, json_wanted=json_wanted)
