"""Implementation of the commands check, rejected and explain."""

import json
from pathlib import Path

import polars as pl
import typer
from rich.console import Console

from flows import stages
from flows.cli.intake_tables import check_table, failed_table, rejected_table
from flows.cli.join_report import join_rows, join_tables
from flows.cli.load_tables import load_tables
from flows.cli.output import finish, print_line, prose_console, show
from flows.runtime.progress import Reporter
from reports.language.bidi import without_isolates
from reports.language.display_units import number
from reports.language.reason_text import format_reason, with_reasons
from reports.language.translate import say, say_n
from transforms.config.workspace import Workspace
from transforms.contracts.reason import REASON_COLUMNS
from transforms.ingest.corrections import CorrectionTexts, write_rejected
from transforms.ingest.mapping_file import read_mappings
from transforms.operations.lineage import explain_load
from transforms.storage.lake import Lake
from transforms.storage.warehouse import Warehouse

FILE_COLUMNS: dict[str, pl.DataType | type[pl.DataType]] = {
    "file": pl.String,
    "mapping": pl.String,
    "rows_in": pl.Int64,
    "rows_accepted": pl.Int64,
    "rows_rejected": pl.Int64,
    "rows_repeated": pl.Int64,
    "from_at": pl.Datetime("us", "UTC"),
    "to_at": pl.Datetime("us", "UTC"),
}


def check(folder: Path, *, strict: bool, as_json: bool) -> None:
    """Show how many rows of each new file would be accepted, rejected or repeated.

    Raises:
        typer.Exit: `strict` is set and a row would be rejected (code 1).
    """
    workspace = Workspace(folder)
    season = workspace.season
    zone = season.time_zone
    examined = stages.examine_files(workspace, Reporter(quiet=as_json))
    received, rejected, left, failed = examined.received, examined.rejected, examined.left, examined.failed
    reasons = (
        rejected.group_by("file", "rule", *REASON_COLUMNS, maintain_order=True)
        .agg(pl.len().cast(pl.Int64).alias("rows"), pl.col("line").min(), pl.col("raw").first().alias("example"))
        .sort("file", "rows", descending=[False, True])
    )
    files = pl.DataFrame([{k: getattr(r, k) for k in FILE_COLUMNS} for r in received], schema=FILE_COLUMNS)
    if as_json:
        notes = {
            r.file: [{**f.columns, "reason": format_reason(f, season.catalogue)} for f in r.findings]
            for r in received
            if r.findings
        }
        typer.echo(
            json.dumps(
                {
                    "joins": join_rows(examined.joins, workspace),
                    "files": files.to_dicts(),
                    "rejected": with_reasons(reasons, season.catalogue).to_dicts(),
                    "left": [(name, format_reason(why)) for name, why in left],
                    "findings": notes,
                    "failed": failed.to_dicts(),
                },
                default=str,
            )
        )
    else:
        tables = [*join_tables(examined.joins, workspace), check_table(files, zone)]
        if reasons.height:
            tables.append(rejected_table(say("Rows that ingest would reject, by reason"), reasons, "line", season))
        if failed.height:
            tables.append(failed_table(failed, zone))
        show(*tables)
        console = prose_console()
        for r in received:
            for finding in r.findings:
                print_line(console, f"{r.file}: {format_reason(finding, season.catalogue)}")
        for name, why in left:
            print_line(console, say("Skipped: {name}: {reason}", name=name, reason=format_reason(why)))
        print_line(
            console,
            say_n(
                "{n} new file; nothing was written. Next: taretrace ingest {folder}",
                "{n} new files; nothing was written. Next: taretrace ingest {folder}",
                files["file"].n_unique(),
                folder=folder,
            ),
        )
    if strict and rejected.height:
        raise typer.Exit(1)


def rejected(folder: Path, to: Path | None, file: str, *, as_json: bool) -> None:
    """Write rejected rows to files that a person can correct and return to the inbox."""
    workspace = Workspace(folder)
    catalogue = workspace.season.catalogue
    mappings = {m.name: m for m in read_mappings(workspace.mappings, catalogue)}
    target = to or workspace.out / "rejected"
    with Warehouse.open_read_only(workspace.warehouse) as warehouse:
        rows = warehouse.query("correctable_row", file=f"%{file}%")
    texts = CorrectionTexts(say("why rejected"), lambda why: without_isolates(format_reason(why, catalogue)))
    written, left = write_rejected(rows, mappings, target, texts)
    if as_json:
        typer.echo(json.dumps({"files": [str(p) for p in written], "rows": rows.height - left, "left": left}))
        return
    console = Console()
    for path in written:
        print_line(console, str(path))
    if left:
        print_line(
            console,
            say_n(
                "{n} row cannot be corrected in a spreadsheet (task data, Parquet, or too long): see taretrace status",
                "{n} rows cannot be corrected in a spreadsheet (task data, Parquet, or too long): see taretrace status",
                left,
            ),
        )
    count = say_n("{n} row to correct", "{n} rows to correct", rows.height - left)
    if written:
        files = say_n(
            "{rows} in {n} file. Correct them, then copy the file into {inbox}",
            "{rows} in {n} files. Correct them, then copy the files into {inbox}",
            len(written),
            rows=count,
            inbox=workspace.inbox,
        )
        print_line(console, files)
    else:
        print_line(console, count)


def explain(load_id: str, folder: Path, *, as_json: bool) -> None:
    """Show the tickets, lab results, minutes and source lines behind a load."""
    workspace = Workspace(folder)
    season = workspace.season
    with Warehouse.open_read_only(workspace.warehouse) as warehouse:
        found = explain_load(load_id, warehouse, Lake(workspace.lake))
    tables = {
        "tickets": found.tickets,
        "labs": found.labs,
        "grade": with_reasons(found.grade, season.catalogue),
        "minutes": found.minutes,
        "weighing": found.weighing,
    }
    untraced = found.minutes.filter(pl.col("machine_id").is_null())["share"].sum()
    finish(
        as_json,
        {"load_id": load_id, **{k: v.to_dicts() for k, v in tables.items()}},
        [
            say("{share} % of the load could not be traced.", share=number(100 * float(untraced), 0))
            if untraced
            else say("The whole load is traced.")
        ],
        load_tables(load_id, tables, season),
    )
