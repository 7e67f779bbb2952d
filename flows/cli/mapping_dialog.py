"""Dialogue of the command `map`: propose a mapping for an export, ask questions, show ten rows, save."""

import json
import sys
from pathlib import Path
from typing import Any

import polars as pl
import typer
from rich.console import Console

from flows.cli.columns import Figure, plain
from flows.cli.console_table import ConsoleTable
from flows.cli.intake_tables import kind_words, rejected_table
from flows.cli.mapping import FileKind
from flows.cli.output import line_of, print_line, prose_console, show
from flows.cli.stored_columns import stored_columns, stored_heading
from reports.language.bidi import without_isolates
from reports.language.display_units import number
from reports.language.reason_text import format_reason
from reports.language.time_patterns import time_pattern
from reports.language.translate import say, say_n
from transforms.config.settings_catalogue import Catalogue
from transforms.config.workspace import MAPPING_SCHEMA, Season, Workspace
from transforms.errors import SourceFileError, WorkspaceError
from transforms.ingest.isolated_read import run_isolated
from transforms.ingest.mapping_file import parse_mapping
from transforms.ingest.preview import first_rows
from transforms.ingest.propose.proposal import MappingQuestion, Proposal
from transforms.ingest.propose.propose import propose
from transforms.ingest.propose.sniff import sniff
from transforms.ingest.propose.toml import mapping_text
from transforms.ingest.reader_process import ReaderFailureError
from transforms.storage.lock import lock_workspace

PREVIEW_ROWS = 10


def _parse_answers(given: list[str]) -> dict[str, str]:
    out = {}
    for text in given:
        key, sign, value = text.partition("=")
        if not sign:
            raise WorkspaceError(
                "the answer '{answer}' has no value", where="--answer", remedy="write it as KEY=VALUE", answer=text
            )
        out[key.strip()] = value.strip()
    if out.get("kind", FileKind.load) not in list(FileKind):
        raise WorkspaceError(
            "kind is '{name}'",
            where="--answer",
            remedy="use one of {kinds}",
            name=out["kind"],
            kinds=", ".join(FileKind),
        )
    return out


def _print_proposal(console: Console, proposal: Proposal, season: Season) -> None:
    """Print a proposal as part of the dialogue."""
    for why in proposal.reasons:
        print_line(console, f"· {format_reason(why, season.catalogue)}")
    show(_proposal_table(proposal, season), stderr=console.stderr)
    if proposal.unread:
        print_line(console, say("Not read: {columns}", columns=", ".join(proposal.unread)))


def _proposal_table(proposal: Proposal, season: Season) -> ConsoleTable:
    """Return the table of the proposed columns."""
    rows = [
        {
            "name": stored_heading(c.column, season),
            "source": " + ".join(c.row.get("from", [])) or c.row.get("value") or say("file name"),
            "form": c.row.get("unit") or time_pattern(c.row.get("format") or ""),
            "confidence": Figure(100 * c.confidence),
            "reasons": "; ".join(format_reason(why, season.catalogue) for why in c.reasons),
        }
        for c in proposal.columns
    ]
    return ConsoleTable(
        say("Kind of rows: {kind}", kind=kind_words(proposal.kind)),
        (
            plain(say("Column"), "name"),
            plain(say("Read from"), "source"),
            plain(say("Unit or format"), "form"),
            plain(say("Confidence, %"), "confidence"),
            plain(say("Reason"), "reasons"),
        ),
        rows,
    )


def talk(file: Path, folder: Path, answer: list[str], name: str | None, *, ask: bool | None, as_json: bool) -> None:
    """Propose how to read a file, ask for what it does not state, show ten rows and save the mapping.

    Raises:
        WorkspaceError: the file cannot be read, or a question is open.
    """
    workspace = Workspace(folder)
    season = workspace.season
    if not file.exists():
        raise WorkspaceError("the file does not exist", where=str(file), remedy="check its path")
    answers = _parse_answers(answer)
    is_interactive = sys.stdin.isatty() and not as_json if ask is None else ask
    console = Console(stderr=True) if as_json else prose_console()
    try:
        sniffed = run_isolated(sniff, file)
        proposal = propose(sniffed, file, season.catalogue, season.time_zone, answers)
        while proposal.questions and is_interactive:
            _print_proposal(console, proposal, season)
            question = proposal.questions[0]
            console.print()
            print_line(console, format_reason(question.why, season.catalogue))
            if question.choices:
                print_line(console, "  " + say("one of: {choices}", choices=", ".join(question.choices)))
            prompt = f"{question.key} [{question.guess}]" if question.guess else question.key
            answers[question.key] = _read_answer(console, prompt, question.guess)
            proposal = propose(sniffed, file, season.catalogue, season.time_zone, answers)
    except SourceFileError as problem:
        raise WorkspaceError(
            "{fault}",
            where=str(file),
            remedy="correct the file, or export it again",
            fault=format_reason(problem.reason),
        ) from problem
    except ReaderFailureError as problem:
        raise _make_reader_error(problem, file) from problem
    _print_proposal(console, proposal, season)
    _save(workspace, file, proposal, name, console, as_json=as_json)


def _read_answer(console: Console, prompt: str, guess: str) -> str:
    """Ask until there is an answer or a guess; the prompt stays out of a piped table.

    Raises:
        typer.Abort: the input has ended.
    """
    answer = ""
    while not answer:
        console.print(line_of(f"{prompt}: "), end="", soft_wrap=True, highlight=False)
        try:
            answer = input().strip() or guess
        except EOFError:
            raise typer.Abort from None
    return answer


def _make_reader_error(problem: ReaderFailureError, file: Path) -> WorkspaceError:
    return WorkspaceError(
        "{fault}",
        where=str(file),
        remedy="export it in another format, or split it",
        fault=format_reason(problem.reason),
    )


def _question_row(question: MappingQuestion, catalogue: Catalogue) -> dict[str, Any]:
    """Return a question as the JSON result."""
    text = without_isolates(format_reason(question.why, catalogue))
    return {"key": question.key, "text": text, "choices": question.choices, "guess": question.guess}


def _mapping_toml(proposal: Proposal, file: Path, catalogue: Catalogue) -> str:
    return mapping_text(proposal, file.name, lambda why: without_isolates(format_reason(why, catalogue)))


def _report_open_questions(
    file: Path, proposal: Proposal, console: Console, catalogue: Catalogue, *, as_json: bool
) -> None:
    """Print the open questions of a proposal.

    Raises:
        WorkspaceError: always, because nothing can be saved before they are answered.
    """
    if as_json:
        typer.echo(
            json.dumps(
                {
                    "questions": [_question_row(q, catalogue) for q in proposal.questions],
                    "proposal": _mapping_toml(proposal, file, catalogue),
                }
            )
        )
    for question in proposal.questions:
        text = f"? {question.key}: {format_reason(question.why, catalogue)}"
        if question.choices:
            text = say("{question} (one of: {choices})", question=text, choices=", ".join(question.choices))
        print_line(console, text)
    keys = ", ".join(q.key for q in proposal.questions)
    raise WorkspaceError(
        "questions are open ({keys})",
        where=str(file),
        remedy="answer them with --answer KEY=VALUE",
        keys=keys,
    )


def _save(
    workspace: Workspace, file: Path, proposal: Proposal, name: str | None, console: Console, *, as_json: bool
) -> None:
    """Read ten rows through the proposal and save it; if questions are open, report them instead."""
    catalogue = workspace.season.catalogue
    if proposal.questions:
        _report_open_questions(file, proposal, console, catalogue, as_json=as_json)
    text = _mapping_toml(proposal, file, catalogue)
    target = _choose_path(workspace, proposal, file, name)
    mapping = parse_mapping(proposal.table(), target.stem, catalogue, str(target))
    try:
        rows, rejected, read_count = run_isolated(first_rows, file, mapping, catalogue, PREVIEW_ROWS)
    except SourceFileError as problem:
        raise WorkspaceError(
            "{fault}",
            where=str(file),
            remedy="give other answers with --answer KEY=VALUE",
            fault=format_reason(problem.reason),
        ) from problem
    except ReaderFailureError as problem:
        raise _make_reader_error(problem, file) from problem
    filled = rows.select(c for c in rows.columns if c == "line" or rows[c].null_count() < rows.height)
    if as_json:
        typer.echo(
            json.dumps(
                {
                    "mapping": str(target),
                    "rows": filled.to_dicts(),
                    "rejected": rejected.height,
                    "looked_at": read_count,
                },
                default=str,
            )
        )
    else:
        show(*_preview_tables(filled, rejected, read_count, workspace.season))
    if not rows.height:
        raise WorkspaceError(
            "no row can be read with this mapping",
            where=str(file),
            remedy="give other answers with --answer KEY=VALUE",
        )
    with lock_workspace(workspace.root, "map"):
        workspace.mappings.mkdir(exist_ok=True)
        # Editors find the schema of a mapping by its first line.
        schema = f"#:schema ../{MAPPING_SCHEMA}\n" if (workspace.root / MAPPING_SCHEMA).exists() else ""
        target.write_text(schema + text, "utf-8")
    if not as_json:
        reads = ", ".join(proposal.layout["files"])
        print_line(
            console,
            say(
                "Saved as {file}; it reads files named {names}. Next: copy them into {inbox}; taretrace check",
                file=target,
                names=reads,
                inbox=workspace.inbox,
            ),
        )


def _preview_tables(rows: pl.DataFrame, rejected: pl.DataFrame, read_count: int, season: Season) -> list[ConsoleTable]:
    """Return the table of the first rows as read, and the table of rejected ones if there are any."""
    title = say_n(
        "The first {n} row as it would be read (times in {zone})",
        "The first {n} rows as they would be read (times in {zone})",
        rows.height,
        zone=season.time_zone,
    )
    tables = [ConsoleTable(title, stored_columns(tuple(rows.columns), season), rows.to_dicts())]
    if rejected.height:
        why = rejected.head(5).with_columns(pl.lit(1).alias("rows"), pl.col("raw").alias("example"))
        count = say_n(
            "{n} of the first {all} rows would be rejected",
            "{n} of the first {all} rows would be rejected",
            rejected.height,
            all=number(read_count, 0),
        )
        tables.append(rejected_table(count, why, "line", season))
    return tables


def _choose_path(workspace: Workspace, proposal: Proposal, file: Path, name: str | None) -> Path:
    if name is not None:
        safe = "".join(c if c.isalnum() or c in "-_" else "_" for c in name) or "mapping"
        return workspace.mappings / f"{safe}.toml"
    words = "".join(c if c.isalpha() else "_" for c in file.stem).strip("_") or "export"
    base = f"{proposal.kind}_{words}"[:60]
    target, number = workspace.mappings / f"{base}.toml", 2
    while target.exists():
        target, number = workspace.mappings / f"{base}_{number}.toml", number + 1
    return target
