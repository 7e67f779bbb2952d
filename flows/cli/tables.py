"""Commands that show or write tables: export, status."""

import datetime as dt
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from flows.cli.output import FAILED_TITLE, finish, print_line, show
from flows.runtime.progress import Reporter
from transforms.config.workspace import Workspace
from transforms.storage.lock import held

HERE = Path()
Folder = Annotated[Path, typer.Argument(help="The workspace folder.", show_default=True)]
Json = Annotated[bool, typer.Option("--json", help="Print the outcome as JSON on standard output, nothing else.")]
Wait = Annotated[float, typer.Option(min=0, help="Seconds to wait while another run holds the workspace.")]


class Form(StrEnum):
    """What a table is written as."""

    parquet = "parquet"
    csv = "csv"
    xlsx = "xlsx"


def export(
    folder: Folder = HERE,
    to: Annotated[Path | None, typer.Option(help="Target folder; the workspace's out/tables where not given.")] = None,
    form: Annotated[
        Form, typer.Option("--format", help="parquet, csv (a file a table) or xlsx (one workbook).")
    ] = Form.parquet,
    wait: Wait = 0,
    json_wanted: Json = False,
) -> None:
    """Write every table others rely on."""
    from flows import stages
    from transforms.operations.export import exported_tables, write_tables
    from transforms.storage.lake import Lake

    workspace = Workspace(folder)
    _ = workspace.season
    with held(folder, "export", wait):
        target = to or workspace.out / "tables"
        with stages.open_warehouse(workspace) as warehouse, Reporter(quiet=json_wanted).stage("Writing tables"):
            written = write_tables(exported_tables(warehouse, Lake(workspace.lake)), target, form.value)
    lines = [f"{len(written)} files in {target.resolve()}"]
    if form is Form.xlsx and len(written) > 1:
        lines.append(f"Too long for a workbook, written as Parquet beside it: {', '.join(p.stem for p in written[1:])}")
    finish(json_wanted, {"files": written}, lines)


def status(folder: Folder = HERE, json_wanted: Json = False) -> None:
    """Say what came in, how far behind each source is, what was rejected and why, and what the tables hold."""
    from transforms.ingest.failed_read import failed_reads
    from transforms.storage.warehouse import Warehouse

    workspace = Workspace(folder)
    _ = workspace.season
    with Warehouse.to_look_at(workspace.warehouse) as warehouse:
        found = {
            "arrived": warehouse.query("arrival"),
            "sources": warehouse.query("source_lag", now=dt.datetime.now(dt.UTC)),
            "rejected": warehouse.query("rejection"),
            "findings": warehouse.query("source_finding"),
            "failed": failed_reads(warehouse),
            "lookalikes": warehouse.query("lookalike_id"),
            "tables": warehouse.query("status"),
        }
    if json_wanted:
        finish(True, {name: frame.to_dicts() for name, frame in found.items()}, [])
        return
    titles = {
        "arrived": "What arrived",
        "sources": "How far behind each source is (hours since its newest row; UTC)",
        "rejected": "What was rejected, and why",
        "findings": "How files were read",
        "failed": FAILED_TITLE,
        "lookalikes": "Ids that look alike",
        "tables": "Tables",
    }
    console = Console()
    for name, frame in found.items():
        show(console, titles[name], frame)
    print_line(console, f"Workspace: {folder.resolve()}")


def register_tables(app: typer.Typer) -> None:
    """Add these commands to the program."""
    app.command()(export)
    app.command()(status)
