"""Maintenance commands: doctor, repair, backup, restore."""

import datetime as dt
import json
from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from flows.cli.call_options import new_folder
from flows.cli.options import HERE, Folder, Json, Wait
from flows.cli.output import finish, print_line, prose_console, show
from flows.runtime.progress import Reporter
from reports.language.display_units import number
from reports.language.translate import mark, say, say_n
from transforms.config.workspace import Workspace, init_workspace
from transforms.storage.lock import lock_workspace


def doctor(folder: Folder = HERE, as_json: Json = False) -> None:
    """Check installation, workspace, clock, disk, permissions, Prefect and cluster, and suggest fixes.

    Changes nothing. Exits with code 2 if something needs fixing.
    """
    from flows.cli.doctor import cluster, finding_row, findings_table, installation, language, prefect, recipients
    from transforms.operations.health import check_workspace
    from transforms.operations.health_data import JOINS

    workspace = Workspace(folder)
    found = [*installation(), *check_workspace(workspace, dt.datetime.now(dt.UTC))]
    if (folder / "season.toml").exists() and not any(f.state == "wrong" and "season" in f.check for f in found):
        found += [*language(workspace), *prefect(workspace), *cluster(workspace), *recipients(workspace)]
    found.sort(key=lambda f: not f.code.startswith(JOINS))
    wrong = [f for f in found if f.state == "wrong"]
    failed_joins = sum(f.code.startswith(JOINS) for f in found)
    if as_json:
        typer.echo(json.dumps({"wrong": len(wrong), "findings": [finding_row(f) for f in found]}))
    else:
        show(findings_table(say("Checks of {folder}", folder=folder.resolve()), found))
        failed = say_n("{n} check failed; apply its remedy.", "{n} checks failed; apply the remedies.", len(wrong))
        unjoined = say_n(
            "{n} finding on sources that do not fit together comes first; apply its remedy.",
            "{n} findings on sources that do not fit together come first; apply their remedies.",
            failed_joins,
        )
        print_line(prose_console(), failed if wrong else unjoined if failed_joins else say("Everything is in order."))
    if wrong:
        raise typer.Exit(2)


def backup(
    folder: Folder = HERE,
    to: Annotated[
        Path | None,
        typer.Option(metavar=mark("FILE"), help="Write to this file (default: a dated file next to the workspace)."),
    ] = None,
    received: Annotated[bool, typer.Option(help="Include the stored copies of received files.")] = True,
    wait: Wait = 0,
    as_json: Json = False,
) -> None:
    """Write the whole workspace to one file and verify it by reading it back.

    A lake on object storage is not included; use the backups of that storage.
    """
    from transforms.operations.backup import back_up

    workspace, reporter = Workspace(folder), Reporter(quiet=as_json)
    remote = "://" in workspace.season.place.lake
    target = (
        to or folder.resolve().parent / f"{folder.resolve().name}-{dt.datetime.now().astimezone():%Y%m%d-%H%M%S}.tar"
    )
    with lock_workspace(folder, "backup", wait), reporter.stage(mark("Writing and verifying the backup")) as advance:
        written = back_up(workspace, target, advance, received=received)
    if as_json:
        typer.echo(json.dumps({"backup": str(written.path.resolve()), "files": written.files, "bytes": written.size}))
        return
    if remote:
        reporter.line(
            say(
                "The lake at {address} is not included; use the backups of that storage.",
                address=workspace.season.place.lake,
            )
        )
    done = say_n(
        "Wrote {n} verified file, {size} MB, to {file}",
        "Wrote {n} verified files, {size} MB, to {file}",
        written.files,
        size=number(written.size / 1e6, 0),
        file=written.path.resolve(),
    )
    finish(False, {}, [done])


def restore(
    file: Annotated[Path, typer.Argument(help="Path of the backup file.", exists=True, dir_okay=False)],
    folder: Annotated[
        Path | None, typer.Argument(help="Path of a new folder for the workspace.", callback=new_folder)
    ] = None,
    check: Annotated[bool, typer.Option("--check", help="Only verify the backup; write nothing.")] = False,
    as_json: Json = False,
) -> None:
    """Restore a backup into a new folder and verify the SHA-256 of every file before and after writing."""
    from flows.cli.doctor import finding_row
    from flows.runtime.language import set_workspace_language
    from transforms.errors import WorkspaceError
    from transforms.operations.backup import check_backup
    from transforms.operations.backup import restore as restore_backup
    from transforms.operations.health import check_workspace

    reporter = Reporter(quiet=as_json)
    if check:
        files = check_backup(file)
        intact = say_n("The {n} file in {file} is intact.", "All {n} files in {file} are intact.", files, file=file)
        finish(as_json, {"files": files}, [intact])
        return
    if folder is None:
        raise WorkspaceError(
            "the target folder is missing", where="restore", remedy="name a new folder, or use --check"
        )
    with reporter.stage(mark("Restoring")) as advance:
        files = restore_backup(file, folder, advance)
        init_workspace(folder)  # create the folders that were empty
    set_workspace_language(folder)
    wrong = [f for f in check_workspace(Workspace(folder), dt.datetime.now(dt.UTC)) if f.state == "wrong"]
    if wrong:
        row = finding_row(wrong[0])
        raise WorkspaceError(
            "the backup is restored, but {fault}",
            where=str(folder),
            remedy="{cure}",
            fault=row["says"],
            cure=row["remedy"],
        )
    target = folder.resolve()
    done = say_n(
        "Restored {n} verified file to {folder}", "Restored {n} verified files to {folder}", files, folder=target
    )
    finish(as_json, {"files": files, "workspace": target}, [done])


def repair(
    folder: Folder = HERE,
    accept_loss: Annotated[
        bool, typer.Option("--accept-loss", help="Continue without files that cannot be recovered.")
    ] = False,
    wait: Wait = 0,
    as_json: Json = False,
) -> None:
    """Repair a damaged workspace from its inbox and the stored copies of received files, up to the joined tables.

    A damaged warehouse is set aside, never deleted. Exits with code 2 if only a backup can restore some parts.
    """
    from flows.cli import repair_report as repairs
    from transforms.errors import WorkspaceError

    workspace, reporter = Workspace(folder), Reporter(quiet=as_json)
    _ = workspace.season
    with lock_workspace(folder, "repair", wait):
        outcome = repairs.repair_workspace(workspace, reporter, dt.datetime.now(dt.UTC), accept_loss=accept_loss)
    finish(as_json, asdict(outcome), repairs.describe_repair(outcome, folder))
    if outcome.lost:
        raise WorkspaceError(
            "some parts are neither in the inbox nor among the stored copies",
            where=str(folder),
            remedy="use 'taretrace restore' on a backup, or continue without them by 'taretrace repair --accept-loss'",
        )


def register_upkeep(app: typer.Typer) -> None:
    """Add these commands to the program."""
    for command in (doctor, repair, backup, restore):
        app.command()(command)
