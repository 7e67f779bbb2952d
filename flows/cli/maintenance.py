"""Commands that keep the workspace in order: doctor, repair, backup, restore."""

import datetime as dt
import json
from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from flows.cli.output import print_line, printable, show
from flows.runtime.progress import Reporter
from transforms.config.workspace import Workspace, init_workspace
from transforms.storage.lock import held

HERE = Path()
Folder = Annotated[Path, typer.Argument(help="The workspace folder.", show_default=True)]
Json = Annotated[bool, typer.Option("--json", help="Print the outcome as JSON on standard output, nothing else.")]
Wait = Annotated[float, typer.Option(min=0, help="Seconds to wait while another run holds the workspace.")]


def doctor(folder: Folder = HERE, json_wanted: Json = False) -> None:
    """Look whether installation, workspace, clock, disk, permissions, Prefect, cluster are in order; say how to remedy.

    Changes nothing. Exit code 2 where something is to be mended.
    """
    import polars as pl
    from rich.console import Console

    from flows.cli.doctor import cluster, installation, prefect
    from transforms.operations.health import look_after

    workspace = Workspace(folder)
    found = [*installation(), *look_after(workspace, dt.datetime.now(dt.UTC))]
    if (folder / "season.toml").exists() and not any(f.state == "wrong" and "season" in f.check for f in found):
        found += [*prefect(workspace), *cluster(workspace)]
    wrong = [f for f in found if f.state == "wrong"]
    if json_wanted:
        typer.echo(json.dumps({"wrong": len(wrong), "findings": [asdict(f) for f in found]}))
    else:
        console = Console()
        show(console, f"How {folder.resolve()} stands", pl.DataFrame([asdict(f) for f in found]))
        said = f"{len(wrong)} things are to be mended." if wrong else "Everything is in order."
        print_line(console, said)
    if wrong:
        raise typer.Exit(2)


def backup(
    folder: Folder = HERE,
    to: Annotated[Path | None, typer.Option(help="The file; beside the workspace, dated, where not given.")] = None,
    received: Annotated[bool, typer.Option(help="Include the copies of received files.")] = True,
    wait: Wait = 0,
    json_wanted: Json = False,
) -> None:
    """Write the whole workspace into one file, and read it back to see that it holds.

    A lake on object storage is not in it: that storage keeps its own copies.
    """
    from transforms.operations.backup import back_up

    workspace, reporter = Workspace(folder), Reporter(quiet=json_wanted)
    remote = "://" in workspace.season.place.lake
    target = (
        to or folder.resolve().parent / f"{folder.resolve().name}-{dt.datetime.now().astimezone():%Y%m%d-%H%M%S}.tar"
    )
    with held(folder, "backup", wait), reporter.stage("Backing up and reading back") as advance:
        made = back_up(workspace, target, advance, received=received)
    if json_wanted:
        typer.echo(json.dumps({"backup": str(made.path.resolve()), "files": made.files, "bytes": made.size}))
        return
    if remote:
        reporter.say(f"The lake at {workspace.season.place.lake} is not in it: its storage keeps its own copies.")
    typer.echo(printable(f"{made.files:,} files, {made.size / 1e6:,.0f} MB, each checked, in {made.path.resolve()}"))


def restore(
    file: Annotated[Path, typer.Argument(help="A backup.", exists=True, dir_okay=False)],
    folder: Annotated[Path | None, typer.Argument(help="A new folder for the workspace.")] = None,
    check: Annotated[bool, typer.Option("--check", help="Only read the backup through; write nothing.")] = False,
    json_wanted: Json = False,
) -> None:
    """Put a backup into a new folder; every file's sha-256 is checked before anything is written, and after."""
    from transforms.errors import WorkspaceError
    from transforms.operations.backup import check_backup
    from transforms.operations.backup import restore as put_back
    from transforms.operations.health import look_after

    reporter = Reporter(quiet=json_wanted)
    if check:
        files = check_backup(file)
        typer.echo(
            json.dumps({"files": files}) if json_wanted else printable(f"All {files:,} files in {file} are whole.")
        )
        return
    if folder is None:
        raise WorkspaceError("it is not said where to", where="restore", remedy="name a new folder, or --check")
    with reporter.stage("Restoring") as advance:
        files = put_back(file, folder, advance)
        init_workspace(folder)  # folders that were empty
    wrong = [f for f in look_after(Workspace(folder), dt.datetime.now(dt.UTC)) if f.state == "wrong"]
    if wrong:
        raise WorkspaceError(f"restored, but {wrong[0].says}", where=str(folder), remedy=wrong[0].remedy)
    where = folder.resolve()
    typer.echo(
        json.dumps({"files": files, "workspace": str(where)})
        if json_wanted
        else printable(f"{files:,} files, each checked, in {where}")
    )


def repair(
    folder: Folder = HERE,
    accept_loss: Annotated[
        bool, typer.Option("--accept-loss", help="Go on without files that can be read from nowhere.")
    ] = False,
    wait: Wait = 0,
    json_wanted: Json = False,
) -> None:
    """Repair a damaged workspace from its inbox and the copies of received files, up to the joined tables.

    A damaged warehouse is set aside, never deleted. Exit code 2 if something can only come from a backup.
    """
    from flows.cli import repair_report as repairs
    from transforms.errors import WorkspaceError

    workspace, reporter = Workspace(folder), Reporter(quiet=json_wanted)
    _ = workspace.season
    with held(folder, "repair", wait):
        outcome = repairs.repair_workspace(workspace, reporter, dt.datetime.now(dt.UTC), accept_loss=accept_loss)
    if json_wanted:
        typer.echo(json.dumps(asdict(outcome)))
    else:
        for line in repairs.in_words(outcome, folder):
            typer.echo(line)
    if outcome.lost:
        raise WorkspaceError(
            "parts of it are neither in the inbox nor copied",
            where=str(folder),
            remedy="use 'taretrace restore' on a backup, or run 'taretrace repair --accept-loss' to continue without",
        )


def register_upkeep(app: typer.Typer) -> None:
    """Add these verbs to the program."""
    for verb in (doctor, repair, backup, restore):
        app.command()(verb)
