"""Verbs around what comes in: map, check, rejected, explain."""

import datetime as dt
import json
import sys
from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Any

import polars as pl
import typer
from rich.console import Console
from rich.table import Table

from flows.progress import Reporter
from transforms.errors import SourceFileError, WorkspaceError
from transforms.explain import explain_load
from transforms.hold import held
from transforms.intake.mapping import mapping_of, read_mappings
from transforms.intake.mend import write_rejected
from transforms.intake.preview import first_rows
from transforms.intake.propose.proposal import Proposal
from transforms.intake.propose.propose import propose
from transforms.intake.propose.sniff import sniff
from transforms.intake.propose.toml import mapping_text
from transforms.lake import Lake
from transforms.warehouse import Warehouse
from transforms.workspace import Workspace

PREVIEW_ROWS = 10
WIDEST = 8
"""A table of more columns than this does not fit a terminal."""
OUTCOME: dict[str, pl.DataType | type[pl.DataType]] = {
    "file": pl.String, "mapping": pl.String, "rows_in": pl.Int64, "rows_accepted": pl.Int64, "rows_rejected": pl.Int64,
    "rows_repeated": pl.Int64, "from_at": pl.Datetime("us", "UTC"), "to_at": pl.Datetime("us", "UTC"),
}  # fmt: skip
HERE = Path()
Folder = Annotated[Path, typer.Argument(help="The workspace folder.", show_default=True)]
Json = Annotated[bool, typer.Option("--json", help="Print the outcome as JSON on standard output, nothing else.")]
Strict = Annotated[bool, typer.Option("--strict", help="Exit with 1 if any row was rejected.")]


def show(console: Console, title: str, frame: pl.DataFrame, note: str = "") -> None:
    """Print a table; text of files is shown as it is, never as markup."""
    grid = Table(title=title, title_justify="left", caption=note or None, caption_justify="left")
    for column in frame.columns:
        grid.add_column(column.replace("_", " "), overflow="fold", no_wrap=frame.schema[column].is_temporal())
    for row in frame.iter_rows():
        grid.add_row(*(_cell(v) for v in row))
    console.print(grid, markup=False)


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, dt.datetime):
        return value.strftime("%Y-%m-%d %H:%M")
    if isinstance(value, int) and not isinstance(value, bool):
        return f"{value:,}"
    text = f"{value:.4g}" if isinstance(value, float) else str(value)[:160]
    return "".join(c if c.isprintable() else "�" for c in text.replace("\t", " | ")).replace("[", "\\[")


def check(folder: Folder = HERE, strict: Strict = False, json_wanted: Json = False) -> None:
    """Read new files of the inbox as ingest would, and say what would become of them; nothing is written."""
    from flows import stages  # noqa: PLC0415

    workspace = Workspace(folder)
    _ = workspace.season
    received, rejected, left = stages.examine_files(workspace, Reporter(quiet=json_wanted))
    why = (
        rejected.group_by("file", "rule", "says")
        .agg(pl.len().cast(pl.Int64).alias("rows"), pl.col("line").min(), pl.col("raw").first().alias("example"))
        .sort("file", "rows", descending=[False, True])
    )
    files = pl.DataFrame([{k: getattr(r, k) for k in OUTCOME} for r in received], schema=OUTCOME)
    if json_wanted:
        says = {r.file: r.says for r in received if r.says}
        typer.echo(
            json.dumps({"files": files.to_dicts(), "rejected": why.to_dicts(), "left": left, "says": says}, default=str)
        )
    else:
        console = Console()
        show(console, "What would be taken in (times in UTC)", files)
        if why.height:
            show(console, "What would be rejected, and why", why)
        for r in received:
            for line in r.says:
                console.print(f"{r.file}: {line}", markup=False, highlight=False)
        for name, reason in left:
            console.print(f"Left alone: {name}: {reason}", markup=False, highlight=False)
        console.print(
            f"{files.height} new files; nothing was written. Next: taretrace ingest {folder}", highlight=False
        )
    if strict and rejected.height:
        raise typer.Exit(1)


def rejected(
    folder: Folder = HERE,
    to: Annotated[
        Path | None, typer.Option(help="Target folder; the workspace's out/rejected where not given.")
    ] = None,
    file: Annotated[str, typer.Option(help="Only rows of files whose name holds this.")] = "",
    json_wanted: Json = False,
) -> None:
    """Write rejected rows as files to mend in a spreadsheet; put back into the inbox, they are read as new rows."""
    workspace = Workspace(folder)
    mappings = {m.name: m for m in read_mappings(workspace.mappings, workspace.season.catalogue)}
    target = to or workspace.out / "rejected"
    with Warehouse.to_look_at(workspace.warehouse) as warehouse:
        rows = warehouse.query("mendable", file=f"%{file}%")
    written, left = write_rejected(rows, mappings, target)
    if json_wanted:
        typer.echo(json.dumps({"files": [str(p) for p in written], "rows": rows.height - left, "left": left}))
        return
    console = Console(soft_wrap=True)
    for path in written:
        console.print(f"{path}", markup=False, highlight=False)
    if left:
        console.print(
            f"{left} rows cannot be mended in a spreadsheet (task data, Parquet, far too long): see taretrace status"
        )
    console.print(
        f"{rows.height - left} rows in {len(written)} files. Mend them, then copy the files into {workspace.inbox}",
        markup=False,
        highlight=False,
    )


explain_app = typer.Typer(no_args_is_help=True, help="Walk from a result back to the files and lines it comes from.")


@explain_app.command(name="load")
def explain_load_verb(
    load_id: Annotated[str, typer.Argument(help="The load's number, as its weigh ticket has it.")],
    folder: Annotated[Path, typer.Option("--workspace", "-w", help="The workspace folder.")] = HERE,
    json_wanted: Json = False,
) -> None:
    """From a load through its minutes to the lines of the files that tell of it."""
    workspace = Workspace(folder)
    _ = workspace.season
    with Warehouse.to_look_at(workspace.warehouse) as warehouse:
        found = explain_load(load_id, warehouse, Lake(workspace.lake))
    tables = {"tickets": found.tickets, "labs": found.labs, "grade": found.grade, "minutes": found.minutes}
    if json_wanted:
        typer.echo(json.dumps({"load_id": load_id, **{k: v.to_dicts() for k, v in tables.items()}}, default=str))
        return
    console = Console()
    show(console, f"Load {load_id}: weigh tickets, newest first (UTC)", found.tickets)
    show(console, "Lab results, newest first", found.labs)
    show(console, "How far the trace can be trusted", found.grade)
    show(console, "Minutes that filled it, and where they were logged (UTC)", found.minutes)
    untraced = found.minutes.filter(pl.col("machine_id").is_null())["share"].sum()
    console.print(f"{untraced:.0%} of the load could not be traced." if untraced else "All of the load is traced.")


def _answers(given: list[str]) -> dict[str, str]:
    out = {}
    for text in given:
        key, sign, value = text.partition("=")
        if not sign:
            raise WorkspaceError(f"the answer '{text}' has no value", where="--answer", mend="write it as KEY=VALUE")
        out[key.strip()] = value.strip()
    return out


def _print_proposal(console: Console, proposal: Proposal) -> None:
    rows = [
        {
            "our column": c.column,
            "read from": " + ".join(c.row.get("from", [])) or c.row.get("value") or "the file's name",
            "unit or form": c.row.get("unit") or c.row.get("format") or "",
            "sure": f"{c.confidence:.0%}",
            "because": "; ".join(c.reasons),
        }
        for c in proposal.columns
    ]
    for reason in proposal.reasons:
        console.print(f"· {reason}", markup=False, highlight=False)
    show(console, f"A row tells of: {proposal.kind}", pl.DataFrame(rows) if rows else pl.DataFrame({"our column": []}))
    if proposal.unread:
        console.print(f"Not read: {', '.join(proposal.unread)}", markup=False, highlight=False)


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
    workspace = Workspace(folder)
    season = workspace.season
    if not file.exists():
        raise WorkspaceError("there is no such file", where=str(file), mend="name a file that is there")
    answers = _answers(answer)
    asking = sys.stdin.isatty() and not json_wanted if ask is None else ask
    console = Console(stderr=json_wanted)
    try:
        sniffed = sniff(file)
        proposal = propose(sniffed, file, season.catalogue, season.time_zone, answers)
        while proposal.questions and asking:
            _print_proposal(console, proposal)
            question = proposal.questions[0]
            console.print(f"\n{question.text}", markup=False, highlight=False)
            if question.choices:
                console.print(f"  one of: {', '.join(question.choices)}", markup=False, highlight=False)
            answers[question.key] = typer.prompt(question.key, default=question.guess or None)
            proposal = propose(sniffed, file, season.catalogue, season.time_zone, answers)
    except SourceFileError as problem:
        raise WorkspaceError(
            problem.says, where=str(file), mend="send a file that can be read, or mend this one"
        ) from problem
    _print_proposal(console, proposal)
    _save(workspace, file, proposal, name, console, json_wanted=json_wanted)


def _save(
    workspace: Workspace, file: Path, proposal: Proposal, name: str | None, console: Console, *, json_wanted: bool
) -> None:
    """Check the proposal by reading ten rows through it, and write it; open questions are told instead."""
    if proposal.questions:
        if json_wanted:
            typer.echo(
                json.dumps(
                    {
                        "questions": [asdict(q) for q in proposal.questions],
                        "proposal": mapping_text(proposal, file.name),
                    }
                )
            )
        for question in proposal.questions:
            choices = f" (one of: {', '.join(question.choices)})" if question.choices else ""
            console.print(f"? {question.key}: {question.text}{choices}", markup=False, highlight=False)
        keys = ", ".join(q.key for q in proposal.questions)
        raise WorkspaceError(
            f"{len(proposal.questions)} of its questions are open ({keys})",
            where=str(file),
            mend="answer with --answer KEY=VALUE",
        )
    catalogue, text = workspace.season.catalogue, mapping_text(proposal, file.name)
    target = _target(workspace, proposal, file, name)
    mapping = mapping_of(proposal.table(), target.stem, catalogue, str(target))
    try:
        rows, bad, looked = first_rows(file, mapping, catalogue, PREVIEW_ROWS)
    except SourceFileError as problem:
        raise WorkspaceError(
            problem.says, where=str(file), mend="answer otherwise with --answer KEY=VALUE"
        ) from problem
    filled = rows.select(c for c in rows.columns if c == "line" or rows[c].null_count() < rows.height)
    if json_wanted:
        typer.echo(
            json.dumps(
                {"mapping": str(target), "rows": filled.to_dicts(), "rejected": bad.height, "looked_at": looked},
                default=str,
            )
        )
    else:
        show(console, f"The first {filled.height} rows as they would be read (times in UTC)", _readable(filled))
        if bad.height:
            show(console, f"{bad.height} of the first {looked:,} rows would be rejected", bad.head(5))
    if not rows.height:
        raise WorkspaceError(
            "no row of the file could be read this way",
            where=str(file),
            mend="answer otherwise with --answer KEY=VALUE",
        )
    with held(workspace.root, "map"):
        workspace.mappings.mkdir(exist_ok=True)
        target.write_text(text, "utf-8")
    if not json_wanted:
        reads = ", ".join(proposal.layout["files"])
        console.print(
            f"Saved as {target}; it reads files named {reads}. Next: copy them into {workspace.inbox}; taretrace check",
            markup=False,
            highlight=False,
        )


def _readable(rows: pl.DataFrame) -> pl.DataFrame:
    """Many columns are turned on their side, so that each has a line of its own."""
    if rows.width <= WIDEST:
        return rows
    texts = rows.select(pl.col(c).map_elements(_cell, return_dtype=pl.String, skip_nulls=False) for c in rows.columns)
    texts = texts.rename({c: c.replace("_", " ") for c in texts.columns})
    named = [f"row {n}" for n in range(1, rows.height + 1)]
    return texts.transpose(include_header=True, header_name="our column", column_names=named)


def _target(workspace: Workspace, proposal: Proposal, file: Path, name: str | None) -> Path:
    if name is not None:
        safe = "".join(c if c.isalnum() or c in "-_" else "_" for c in name) or "mapping"
        return workspace.mappings / f"{safe}.toml"
    words = "".join(c if c.isalpha() else "_" for c in file.stem).strip("_") or "export"
    base = f"{proposal.kind}_{words}"[:60]
    target, number = workspace.mappings / f"{base}.toml", 2
    while target.exists():
        target, number = workspace.mappings / f"{base}_{number}.toml", number + 1
    return target


def register(app: typer.Typer) -> None:
    """Add the verbs to the program."""
    app.command(name="map")(map_file)
    app.command()(check)
    app.command()(rejected)
    app.add_typer(explain_app, name="explain")
