"""Lock, counts and exit codes of commands that ingest files or compute from them."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import typer

from flows.cli.output import complain
from reports.language.display_units import number
from reports.language.translate import say, say_n
from transforms.config.workspace import Workspace
from transforms.storage.lock import lock_workspace


@contextmanager
def locked_workspace(folder: Path, command: str, wait_s: float = 0.0) -> Iterator[Workspace]:
    """Yield a workspace that is locked against other runs."""
    workspace = Workspace(folder)
    _ = workspace.season
    with lock_workspace(folder, command, wait_s):
        yield workspace


def count_rows(received: list[Any]) -> dict[str, int]:
    """Return the numbers of files and rows of an ingest, by column."""
    keys = ("rows_in", "rows_accepted", "rows_rejected", "rows_repeated")
    return {"files": len({r.file for r in received}), **{k: sum(getattr(r, k) for r in received) for k in keys}}


def describe_counts(counts: dict[str, int]) -> str:
    """Return a sentence on the numbers of files and rows."""
    if not counts["files"]:
        return say("No new files: everything in the inbox was already ingested.")
    rows = say_n(
        "{n} row in = {accepted} accepted + {rejected} rejected + {repeated} repeated",
        "{n} rows in = {accepted} accepted + {rejected} rejected + {repeated} repeated",
        counts["rows_in"],
        **{key: number(counts[f"rows_{key}"], 0) for key in ("accepted", "rejected", "repeated")},
    )
    return say_n("{n} new file: {rows}.", "{n} new files: {rows}.", counts["files"], rows=rows)


def exit_if_rejected(strict: bool, counts: dict[str, int]) -> None:
    """Exit with code 1 if `strict` is set and rows were rejected."""
    if strict and counts["rows_rejected"]:
        raise typer.Exit(1)


def exit_if_unread(received: list[Any]) -> None:
    """Report files that an internal error left unread, and exit with code 3."""
    if unread := [r.file for r in received if r.failed]:
        complain(
            say_n(
                "an internal error with {n} file ({files}); all others were ingested, this one stays in the inbox for "
                "the next run; please report the error",
                "an internal error with {n} files ({files}); all others were ingested, these stay in the inbox for "
                "the next run; please report the error",
                len(unread),
                files=", ".join(unread[:3]),
            )
        )
        raise typer.Exit(3)
