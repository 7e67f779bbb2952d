"""Commands for incoming data: map, check, rejected, explain."""

from pathlib import Path
from typing import Annotated

import typer

from flows.cli.help import CommandLine
from flows.cli.mapping import map_file
from flows.cli.options import HERE, Folder, Json, Strict
from reports.language.translate import mark


def check(folder: Folder = HERE, strict: Strict = False, as_json: Json = False) -> None:
    """Preview the ingest of new files: count accepted, rejected and repeated rows without writing anything."""
    from flows.cli import inspection

    inspection.check(folder, strict=strict, as_json=as_json)


def rejected(
    folder: Folder = HERE,
    to: Annotated[
        Path | None,
        typer.Option(metavar=mark("FOLDER"), help="Write into this folder (default: out/rejected in the workspace)."),
    ] = None,
    file: Annotated[str, typer.Option(help="Include only source files whose name contains this text.")] = "",
    as_json: Json = False,
) -> None:
    """Write rejected rows to files: correct them in a spreadsheet and copy them back into the inbox."""
    from flows.cli import inspection

    inspection.rejected(folder, to, file, as_json=as_json)


explain_app = CommandLine(help="Trace a result back to the source files and lines behind it.")


@explain_app.command(name="load")
def explain_load_command(
    load_id: Annotated[str, typer.Argument(help="Number of the load, as printed on its weigh ticket.")],
    folder: Folder = HERE,
    as_json: Json = False,
) -> None:
    """Trace a load back through its harvesting minutes to the lines of the source files."""
    from flows.cli import inspection

    inspection.explain(load_id, folder, as_json=as_json)


def register(app: typer.Typer) -> None:
    """Add these commands to the program."""
    app.command(name="map")(map_file)
    app.command()(check)
    app.command()(rejected)
    app.add_typer(explain_app, name="explain")
