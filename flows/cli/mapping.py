"""The command `map`."""

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from flows.cli.options import HERE, FolderOption, Json


class FileKind(StrEnum):
    """Kind of source file."""

    telemetry = "telemetry"
    load = "load"
    truck_position = "truck_position"
    tare = "tare"
    loss_audit = "loss_audit"
    root_check = "root_check"
    weather_hour = "weather_hour"
    forecast_hour = "forecast_hour"
    weather_day = "weather_day"
    weather_reading = "weather_reading"
    field = "field"
    field_boundary = "field_boundary"
    machine_setup = "machine_setup"


def map_file(
    file: Annotated[Path, typer.Argument(help="Sample file of the new export, or a task-data folder.")],
    folder: FolderOption = HERE,
    answer: Annotated[
        list[str], typer.Option("--answer", "-a", help="Answer a question in advance, KEY=VALUE; repeatable.")
    ] = [],  # noqa: B006
    kind: Annotated[
        FileKind | None,
        typer.Option(
            metavar="KIND",
            help="Set the kind of file (default: proposed from its content): telemetry, load, truck_position, tare, "
            "loss_audit, root_check, weather_hour, forecast_hour, weather_day, weather_reading, field, "
            "field_boundary, machine_setup.",
        ),
    ] = None,
    name: Annotated[str | None, typer.Option(help="Name the mapping (default: kind and file name).")] = None,
    ask: Annotated[
        bool | None,
        typer.Option("--ask/--no-ask", help="Ask open questions, or stop at them (default: ask on a terminal)."),
    ] = None,
    as_json: Json = False,
) -> None:
    """Propose how to read a new kind of export, show ten rows read that way, and save the mapping.

    It never guesses what changes a result: if the file does not state a unit, for example, it asks for it.
    """
    from flows.cli.mapping_dialog import talk

    given = [f"kind={kind.value}", *answer] if kind is not None else answer
    talk(file, folder, given, name, ask=ask, as_json=as_json)
