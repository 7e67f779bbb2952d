"""What the verb `map` does: looks at a new export, proposes how to read it, asks, shows ten rows, saves."""

import json
import sys
from dataclasses import asdict
from pathlib import Path

import polars as pl
import typer
from rich.console import Console

from flows.cli.mapping import FileKind
from flows.cli.output import cell, print_line, printable, show
from transforms.config.workspace import Workspace
from transforms.errors import SourceFileError, WorkspaceError
from transforms.ingest.isolated_read import run_isolated
from transforms.ingest.mapping import mapping_of
from transforms.ingest.preview import first_rows
from transforms.ingest.propose.proposal import Proposal
from transforms.ingest.propose.propose import propose
from transforms.ingest.propose.sniff import sniff
from transforms.ingest.propose.toml import mapping_text
from transforms.ingest.reader_process import ReaderFailureError
from transforms.storage.lock import held

PREVIEW_ROWS = 10
WIDEST = 8
"""A table of more columns than this does not fit a terminal."""


def _answers(given: list[str]) -> dict[str, str]:
    out = {}
    for text in given:
        key, sign, value = text.partition("=")
        if not sign:
            raise WorkspaceError(f"the answer '{text}' has no value", where="--answer", remedy="write it as KEY=VALUE")
        out[key.strip()] = value.strip()
    if out.get("kind", FileKind.load) not in list(FileKind):
        raise WorkspaceError(f"kind is '{out['kind']}'", where="--answer", remedy=f"use one of {', '.join(FileKind)}")
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
        print_line(console, f"· {reason}")
    show(console, f"A row tells of: {proposal.kind}", pl.DataFrame(rows) if rows else pl.DataFrame({"our column": []}))
    if proposal.unread:
        print_line(console, f"Not read: {', '.join(proposal.unread)}")


def talk(file: Path, folder: Path, answer: list[str], name: str | None, *, ask: bool | None, json_wanted: bool) -> None:
    """Propose how to read a file, ask what it does not say, show ten rows, save the mapping."""
    workspace = Workspace(folder)
    season = workspace.season
    if not file.exists():
        raise WorkspaceError("there is no such file", where=str(file), remedy="name a file that is there")
    answers = _answers(answer)
    asking = sys.stdin.isatty() and not json_wanted if ask is None else ask
    console = Console(stderr=json_wanted)
    try:
        sniffed = run_isolated(sniff, file)
        proposal = propose(sniffed, file, season.catalogue, season.time_zone, answers)
        while proposal.questions and asking:
            _print_proposal(console, proposal)
            question = proposal.questions[0]
            console.print()
            print_line(console, question.text)
            if question.choices:
                print_line(console, f"  one of: {', '.join(question.choices)}")
            asked = f"{question.key} [{question.guess}]" if question.guess else question.key
            answers[question.key] = typer.prompt(printable(asked), default=question.guess or None, show_default=False)
            proposal = propose(sniffed, file, season.catalogue, season.time_zone, answers)
    except SourceFileError as problem:
        raise WorkspaceError(
            problem.says, where=str(file), remedy="send a file that can be read, or remedy this one"
        ) from problem
    except ReaderFailureError as problem:
        raise _unreadable(problem, file) from problem
    _print_proposal(console, proposal)
    _save(workspace, file, proposal, name, console, json_wanted=json_wanted)


def _unreadable(problem: ReaderFailureError, file: Path) -> WorkspaceError:
    return WorkspaceError(problem.says, where=str(file), remedy="send it in another form, or in parts")


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
            print_line(console, f"? {question.key}: {question.text}{choices}")
        keys = ", ".join(q.key for q in proposal.questions)
        raise WorkspaceError(
            f"{len(proposal.questions)} of its questions are open ({keys})",
            where=str(file),
            remedy="answer with --answer KEY=VALUE",
        )
    catalogue, text = workspace.season.catalogue, mapping_text(proposal, file.name)
    target = _target(workspace, proposal, file, name)
    mapping = mapping_of(proposal.table(), target.stem, catalogue, str(target))
    try:
        rows, bad, looked = run_isolated(first_rows, file, mapping, catalogue, PREVIEW_ROWS)
    except SourceFileError as problem:
        raise WorkspaceError(
            problem.says, where=str(file), remedy="answer otherwise with --answer KEY=VALUE"
        ) from problem
    except ReaderFailureError as problem:
        raise _unreadable(problem, file) from problem
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
            remedy="answer otherwise with --answer KEY=VALUE",
        )
    with held(workspace.root, "map"):
        workspace.mappings.mkdir(exist_ok=True)
        target.write_text(text, "utf-8")
    if not json_wanted:
        reads = ", ".join(proposal.layout["files"])
        print_line(
            console,
            f"Saved as {target}; it reads files named {reads}. Next: copy them into {workspace.inbox}; taretrace check",
        )


def _readable(rows: pl.DataFrame) -> pl.DataFrame:
    """Many columns are turned on their side, so that each has a line of its own."""
    if rows.width <= WIDEST:
        return rows
    texts = rows.select(pl.col(c).map_elements(cell, return_dtype=pl.String, skip_nulls=False) for c in rows.columns)
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
