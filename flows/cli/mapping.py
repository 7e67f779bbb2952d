"""The verb `map`."""

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

HERE = Path()
Json = Annotated[bool, typer.Option("--json", help="Print the outcome as JSON on standard output, nothing else.")]


class FileKind(StrEnum):
    """A kind of source file."""

    telemetry = "telemetry"
    load = "load"
    tare = "tare"
    loss_audit = "loss_audit"
    weather_hour = "weather_hour"
    forecast_hour = "forecast_hour"
    weather_day = "weather_day"
    weather_reading = "weather_reading"
    field = "field"
    field_boundary = "field_boundary"
    machine_setup = "machine_setup"


def map_file(
    file: Annotated[Path, typer.Argument(help="One file of the new kind of export (or a task-data folder).")],
    folder: Annotated[Path, typer.Option("--workspace", "-w", help="The workspace folder.")] = HERE,
    answer: Annotated[
        list[str], typer.Option("--answer", "-a", help="KEY=VALUE, an answer given beforehand; repeat it.")
    ] = [],  # noqa: B006
    kind: Annotated[FileKind | None, typer.Option(help="The kind of file; proposed if not given.")] = None,
    name: Annotated[str | None, typer.Option(help="The mapping's name; made of kind and file where not given.")] = None,
    ask: Annotated[
        bool | None, typer.Option("--ask/--no-ask", help="Ask what is unsure; by itself where a person sits there.")
    ] = None,
    json_wanted: Json = False,
) -> None:
    """Look at a new export, propose how to read it, show ten rows as they would be read, and save the mapping.

    Nothing is guessed that matters: a unit that the file does not say is asked for.
    """
    from flows.cli.mapping_dialog import talk

    given = [f"kind={kind.value}", *answer] if kind is not None else answer
    talk(file, folder, given, name, ask=ask, json_wanted=json_wanted)
