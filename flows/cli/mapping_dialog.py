"""Dialogue of the command `map`: propose the mappings for an export, ask questions, show ten rows, save."""

import json
import re
import sys
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeVar

import typer
from rich.console import Console

from flows.cli.mapping_preview import MappingPreview, preview_tables, print_proposal
from flows.cli.mapping_questions import (
    ask_all,
    ask_unplaced,
    open_questions,
    optional_questions,
    parse_answers,
    question_row,
    unplaced_columns,
    unread_sheets,
)
from flows.cli.output import print_line, prose_console, show
from reports.language.bidi import without_isolates
from reports.language.reason_text import format_reason
from reports.language.translate import say
from transforms.config.settings_catalogue import Catalogue
from transforms.config.workspace import MAPPING_SCHEMA, Workspace
from transforms.errors import SourceFileError, WorkspaceError
from transforms.ingest.isolated_read import run_isolated
from transforms.ingest.mapping_file import parse_mapping
from transforms.ingest.preview import first_rows
from transforms.ingest.propose.lexicon import build_lexicon
from transforms.ingest.propose.proposal import Proposal
from transforms.ingest.propose.propose import propose
from transforms.ingest.propose.sniff import sniff
from transforms.ingest.propose.table import ProposalContext
from transforms.ingest.propose.toml import mapping_text
from transforms.ingest.propose.workspace_lexicon import read_lexicon
from transforms.ingest.reader_process import ReaderFailureError
from transforms.storage.lock import lock_workspace
from transforms.storage.warehouse import Warehouse

PREVIEW_ROWS = 10
MAX_SIBLINGS = 3
"""Most files of like names whose columns are compared with those of the file."""
Result = TypeVar("Result")


@dataclass(frozen=True)
class MapOptions:
    """Options of the command `map`.

    Attributes:
        name: name of the mapping; None for kind and file name.
        ask: ask open questions; None to ask on a terminal.
        wait_s: how long to wait for another run to end before saving.
        as_json: print the result as JSON.
    """

    name: str | None
    ask: bool | None
    wait_s: float
    as_json: bool


def talk(file: Path, folder: Path, answer: list[str], options: MapOptions) -> None:
    """Propose how to read a file, ask for what it does not state, show ten rows and save a mapping per kind of rows.

    Raises:
        WorkspaceError: the file cannot be read, or a question is open.
    """
    workspace = Workspace(folder)
    season = workspace.season
    if not file.exists():
        raise WorkspaceError("the file does not exist", where=str(file), remedy="check its path")
    answers = parse_answers(answer)
    is_interactive = sys.stdin.isatty() and not options.as_json if options.ask is None else options.ask
    console = Console(stderr=True) if options.as_json else prose_console()
    context = replace(proposal_context(workspace), siblings=_siblings(file))
    proposals = _proposed(file, context, answers)
    is_offered = not sys.stdin.isatty()
    while is_interactive:
        questions = open_questions(proposals)
        # Columns that are not placed may be what an alternative lacks.
        lacks_one = any(q.why.code == "ask_one_of" for q in questions)
        if not questions and is_offered:
            break
        print_proposal(console, proposals, season)
        if questions and (is_offered or not lacks_one):
            answers |= ask_all(console, questions, season.catalogue)
        else:
            is_offered = True
            answers |= ask_unplaced(console, proposals, season.catalogue)
        proposals = _proposed(file, context, answers)
    if not is_interactive or not sys.stdin.isatty():
        print_proposal(console, proposals, season)
    _save(workspace, file, proposals, console, options)


def proposal_context(workspace: Workspace) -> ProposalContext:
    """Return the settings, ids and vocabulary of a workspace."""
    extra = read_lexicon(workspace.root)
    season = workspace.season
    return ProposalContext(season.catalogue, season.time_zone, _known_ids(workspace), build_lexicon(extra))


def _siblings(file: Path) -> tuple[tuple[str, frozenset[str]], ...]:
    """Return (name, columns) of some files beside a file whose names differ from its own in numbers alone."""
    if file.is_dir():
        return ()
    alike = re.sub(r"\d+", "#", file.name)
    found = [p for p in file.parent.glob(f"*{file.suffix}") if p != file and re.sub(r"\d+", "#", p.name) == alike]
    out = []
    for path in sorted(found)[:MAX_SIBLINGS]:
        with suppress(SourceFileError, ReaderFailureError):
            out.append((path.name, frozenset(c for t in run_isolated(sniff, path) for c in t.columns)))
    return tuple(out)


def _known_ids(workspace: Workspace) -> dict[str, frozenset[str]]:
    """Return the ids that the workspace has, by column; none if its warehouse cannot be read now."""
    if not workspace.warehouse.exists():
        return {}
    try:
        with Warehouse.open_read_only(workspace.warehouse) as warehouse:
            rows = warehouse.query("known_id")
    except WorkspaceError:
        return {}
    return {str(c): frozenset(part["id"].to_list()) for (c,), part in rows.group_by("column_name", maintain_order=True)}


def _proposed(file: Path, context: ProposalContext, answers: dict[str, str]) -> list[Proposal]:
    """Return the proposals for a file, read in the encoding of the answers."""

    def proposals() -> list[Proposal]:
        return propose(run_isolated(sniff, file, answers.get("encoding")), file, context, answers)

    return _run(proposals, file, is_mapped=False)


def _run(read: Callable[[], Result], file: Path, *, is_mapped: bool) -> Result:
    """Return the result of reading a file, through a mapping made of answers if `is_mapped`.

    Raises:
        WorkspaceError: the file cannot be read.
    """
    try:
        return read()
    except SourceFileError as problem:
        raise WorkspaceError(
            "{fault}",
            where=str(file),
            remedy="give other answers with --answer KEY=VALUE"
            if is_mapped
            else "correct the file, or export it again",
            fault=format_reason(problem.reason),
        ) from problem
    except ReaderFailureError as problem:
        raise WorkspaceError(
            "{fault}",
            where=str(file),
            remedy="export it in another format, or split it",
            fault=format_reason(problem.reason),
        ) from problem


def _mapping_toml(proposal: Proposal, file: Path, catalogue: Catalogue) -> str:
    return mapping_text(proposal, file.name, lambda why: without_isolates(format_reason(why, catalogue)))


def _report_open_questions(
    file: Path, proposals: list[Proposal], console: Console, catalogue: Catalogue, *, as_json: bool
) -> None:
    """Print the open questions of the proposals.

    Raises:
        WorkspaceError: always, because nothing can be saved before they are answered.
    """
    questions = open_questions(proposals)
    if as_json:
        texts = [_mapping_toml(p, file, catalogue) for p in proposals]
        result = {
            "questions": [question_row(q, catalogue) for q in questions],
            "proposal": texts[0],
            "proposals": texts,
            "unplaced": unplaced_columns(proposals),
            "unread_sheets": unread_sheets(proposals),
            "optional": [question_row(q, catalogue) for q in optional_questions(proposals)],
        }
        typer.echo(json.dumps(result))
    for question in questions:
        text = f"? {question.key}: {format_reason(question.why, catalogue)}"
        if question.choices:
            text = say("{question} (one of: {choices})", question=text, choices=", ".join(question.choices))
        print_line(console, text)
    keys = ", ".join(q.key for q in questions)
    raise WorkspaceError(
        "questions are open ({keys})",
        where=str(file),
        remedy="answer them with --answer KEY=VALUE",
        keys=keys,
    )


def _save(workspace: Workspace, file: Path, proposals: list[Proposal], console: Console, options: MapOptions) -> None:
    """Read ten rows through each proposal and save it; if questions are open, report them instead."""
    catalogue = workspace.season.catalogue
    if open_questions(proposals):
        _report_open_questions(file, proposals, console, catalogue, as_json=options.as_json)
    previews: list[MappingPreview] = []
    for proposal in proposals:
        target = _choose_path(workspace, proposal, file, options.name, {p.target for p in previews})
        mapping = parse_mapping(proposal.table(), target.stem, catalogue, str(target))
        rows, rejected, examined = _run(
            lambda mapping=mapping: run_isolated(first_rows, file, mapping, catalogue, PREVIEW_ROWS),  # type: ignore[misc]
            file,
            is_mapped=True,
        )
        previews.append(MappingPreview(proposal, target, rows, rejected, examined))
    if options.as_json:
        typer.echo(json.dumps(_result(previews, catalogue), default=str))
    else:
        for preview in previews:
            show(*preview_tables(preview, file.name, workspace.season))
    if not any(p.is_readable for p in previews):
        raise WorkspaceError(
            "no row can be read with this mapping",
            where=str(file),
            remedy="give other answers with --answer KEY=VALUE",
        )
    _write(workspace, [p for p in previews if p.is_readable], file, console, options)
    for preview in () if options.as_json else (p for p in previews if not p.is_readable):
        print_line(
            console, say("Not saved: {mapping}, because no row can be read with it", mapping=preview.target.name)
        )


def _result(previews: list[MappingPreview], catalogue: Catalogue) -> dict[str, Any]:
    """Return the JSON result: the first mapping, and all of them."""
    mappings = [
        {
            "mapping": str(p.target),
            "kind": p.proposal.kind,
            "rows": p.filled().to_dicts(),
            "rejected": p.rejected.height,
            "looked_at": p.examined,
            "saved": p.is_readable,
        }
        for p in previews
    ]
    proposals = [p.proposal for p in previews]
    optional = [question_row(q, catalogue) for q in optional_questions(proposals)]
    unread = {"unplaced": unplaced_columns(proposals), "unread_sheets": unread_sheets(proposals)}
    return {**mappings[0], "mappings": mappings, **unread, "optional": optional}


def _write(
    workspace: Workspace,
    previews: list[MappingPreview],
    file: Path,
    console: Console,
    options: MapOptions,
) -> None:
    """Save the mappings."""
    texts = [_mapping_toml(p.proposal, file, workspace.season.catalogue) for p in previews]
    with lock_workspace(workspace.root, "map", options.wait_s):
        workspace.mappings.mkdir(exist_ok=True)
        # Editors find the schema of a mapping by its first line.
        schema = f"#:schema ../{MAPPING_SCHEMA}\n" if (workspace.root / MAPPING_SCHEMA).exists() else ""
        for preview, text in zip(previews, texts, strict=True):
            preview.target.write_text(schema + text, "utf-8")
    for preview in () if options.as_json else previews:
        print_line(
            console,
            say(
                "Saved as {file}; it reads files named {names}. Next: copy them into {inbox}; taretrace check",
                file=preview.target,
                names=", ".join(preview.proposal.layout["files"]),
                inbox=workspace.inbox,
            ),
        )


def _choose_path(workspace: Workspace, proposal: Proposal, file: Path, name: str | None, taken: set[Path]) -> Path:
    if name is not None:
        base = "".join(c if c.isalnum() or c in "-_" else "_" for c in name) or "mapping"
        target = workspace.mappings / f"{base}.toml"
        is_free = target not in taken
        return target if is_free else workspace.mappings / f"{base}_{proposal.kind}.toml"
    words = "".join(c if c.isalpha() else "_" for c in file.stem).strip("_") or "export"
    base = f"{proposal.kind}_{words}"[:60]
    target, number = workspace.mappings / f"{base}.toml", 2
    while target.exists() or target in taken:
        target, number = workspace.mappings / f"{base}_{number}.toml", number + 1
    return target
