"""Commands that show or write tables: export, status."""

import datetime as dt
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from flows.cli.options import HERE, Folder, Json, Wait
from flows.cli.output import finish
from flows.runtime.progress import Reporter
from reports.language.translate import mark, say, say_n
from transforms.config.workspace import Workspace
from transforms.storage.lock import lock_workspace


class Form(StrEnum):
    """File format of an exported table."""

    parquet = "parquet"
    csv = "csv"
    xlsx = "xlsx"


def export(
    folder: Folder = HERE,
    to: Annotated[
        Path | None,
        typer.Option(metavar=mark("FOLDER"), help="Write into this folder (default: out/tables in the workspace)."),
    ] = None,
    form: Annotated[
        Form,
        typer.Option(
            "--format",
            metavar=mark("FORMAT"),
            help="Choose the file format: one file per table (parquet, csv), or one workbook (xlsx).",
        ),
    ] = Form.parquet,
    wait: Wait = 0,
    as_json: Json = False,
) -> None:
    """Write every public table to files for use in other programs."""
    from flows import stages
    from reports.language.reason_text import with_reasons
    from transforms.operations.export import exported_tables, write_tables
    from transforms.storage.lake import Lake

    workspace = Workspace(folder)
    season = workspace.season
    with lock_workspace(folder, "export", wait):
        target = to or workspace.out / "tables"
        with stages.open_warehouse(workspace) as warehouse, Reporter(quiet=as_json).stage(mark("Writing tables")):
            tables = exported_tables(warehouse, Lake(workspace.lake))
            tables = {name: with_reasons(table, season.catalogue) for name, table in tables.items()}
            written = write_tables(tables, target, form.value)
    lines = [say_n("Wrote {n} file to {folder}", "Wrote {n} files to {folder}", len(written), folder=target.resolve())]
    if form is Form.xlsx and len(written) > 1:
        names = ", ".join(p.stem for p in written[1:])
        lines.append(
            say("These tables have too many rows for a workbook and were written as Parquet: {names}", names=names)
        )
    finish(as_json, {"files": written}, lines)


def status(folder: Folder = HERE, as_json: Json = False) -> None:
    """Show failed joins, received files, delays of sources, rejected rows with reasons, and the size of each table."""
    from flows.cli.intake_tables import status_tables
    from flows.cli.join_report import join_rows, join_tables
    from reports.language.reason_text import with_reasons
    from transforms.ingest.failed_read import failed_reads
    from transforms.operations.join_sources import find_join_findings
    from transforms.operations.sensor_questions import sensor_questions
    from transforms.storage.warehouse import Warehouse

    workspace = Workspace(folder)
    season = workspace.season
    with Warehouse.open_read_only(workspace.warehouse) as warehouse:
        found = {
            "arrived": warehouse.query("arrival"),
            "sources": warehouse.query("source_lag", now=dt.datetime.now(dt.UTC)),
            "rejected": with_reasons(warehouse.query("rejection"), season.catalogue),
            "findings": with_reasons(warehouse.query("source_finding"), season.catalogue),
            "failed": failed_reads(warehouse),
            "lookalikes": warehouse.query("lookalike_id"),
            "questioned_sensors": sensor_questions(warehouse),
            "tables": warehouse.query("status"),
        }
        joins = find_join_findings(warehouse, workspace)
    outcome = {
        "joins": join_rows(joins, workspace),
        **{name: frame.to_dicts() for name, frame in found.items()},
    }
    line = say("Workspace: {folder}", folder=folder.resolve())
    finish(as_json, outcome, [line], [*join_tables(joins, workspace), *status_tables(found, season)])


def register_tables(app: typer.Typer) -> None:
    """Add these commands to the program."""
    app.command()(export)
    app.command()(status)
