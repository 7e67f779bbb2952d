"""Verbs around what comes in: map, check, rejected, explain."""

from pathlib import Path
from typing import Annotated

import typer

from flows.cli.mapping import map_file

HERE = Path()
Folder = Annotated[Path, typer.Argument(help="The workspace folder.", show_default=True)]
Json = Annotated[bool, typer.Option("--json", help="Print the outcome as JSON on standard output, nothing else.")]
Strict = Annotated[bool, typer.Option("--strict", help="Exit with 1 if any row was rejected.")]


def check(folder: Folder = HERE, strict: Strict = False, json_wanted: Json = False) -> None:
    """Read new files of the inbox as ingest would, and say what would become of them; nothing is written."""
    from flows.cli import inspection as intake

    intake.check(folder, strict=strict, json_wanted=json_wanted)


def rejected(
    folder: Folder = HERE,
    to: Annotated[
        Path | None, typer.Option(help="Target folder; the workspace's out/rejected where not given.")
    ] = None,
    file: Annotated[str, typer.Option(help="Only rows of files whose name holds this.")] = "",
    json_wanted: Json = False,
) -> None:
    """Write rejected rows as files to remedy in a spreadsheet; put back into the inbox, they are read as new rows."""
    from flows.cli import inspection as intake

    intake.rejected(folder, to, file, json_wanted=json_wanted)


explain_app = typer.Typer(no_args_is_help=True, help="Walk from a result back to the files and lines it comes from.")


@explain_app.command(name="load")
def explain_load_verb(
    load_id: Annotated[str, typer.Argument(help="The load's number, as its weigh ticket has it.")],
    folder: Annotated[Path, typer.Option("--workspace", "-w", help="The workspace folder.")] = HERE,
    json_wanted: Json = False,
) -> None:
    """From a load through its minutes to the lines of the files that tell of it."""
    from flows.cli import inspection as intake

    intake.explain(load_id, folder, json_wanted=json_wanted)


def register(app: typer.Typer) -> None:
    """Add the verbs to the program."""
    app.command(name="map")(map_file)
    app.command()(check)
    app.command()(rejected)
    app.add_typer(explain_app, name="explain")
