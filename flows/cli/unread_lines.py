"""Lines at the end of a run that name the files it could not read, each with its reason and the next command."""

from typing import Any

from reports.language.display_units import number
from reports.language.reason_text import format_reason
from reports.language.translate import say, say_n
from transforms.config.workspace import Workspace
from transforms.ingest.unread import QUARANTINED, UNREAD_SHEET, UnreadPart

MAX_LINES = 10
"""Maximum number of files named; `status` shows all."""
UNMAPPED = {"no_mapping", "missing_column", "sheet_lacks_column", "no_such_sheet", "mapping_not_fitting", UNREAD_SHEET}
"""Reasons that a new mapping resolves."""
WITH_REMEDY = {*UNMAPPED, QUARANTINED, "id_stated_for_all", "mappings_overlap"}
"""Reasons that say what to do, or whose next command shows it."""


def _next_command(part: UnreadPart, workspace: Workspace) -> str:
    """Return the command that helps with a file that was not read."""
    if part.rows:
        return f"taretrace rejected {workspace.root}"
    if part.why.code in UNMAPPED:
        return f"taretrace map '{workspace.inbox / part.file}' -w {workspace.root}"
    if part.why.code == QUARANTINED:
        return f"taretrace doctor {workspace.root}"
    return f"taretrace ingest {workspace.root}"


def _line(part: UnreadPart, workspace: Workspace) -> str:
    why, command = format_reason(part.why, workspace.season.catalogue), _next_command(part, workspace)
    if part.rows:
        return say_n(
            "{file}: {n} row rejected: {reason}. Next: {command}",
            "{file}: {n} rows rejected, most often: {reason}. Next: {command}",
            part.rows,
            file=part.file,
            reason=why,
            command=command,
        )
    if part.why.code in WITH_REMEDY:
        return say("{file}: {reason}. Next: {command}", file=part.file, reason=why, command=command)
    return say(
        "{file}: {reason}. Correct the file or its mapping. Next: {command}",
        file=part.file,
        reason=why,
        command=command,
    )


def unread_lines(parts: list[UnreadPart], workspace: Workspace) -> list[str]:
    """Return the lines about what a run could not read; none if it read everything.

    Args:
        parts: the files, sheets and rows that were not read.
        workspace: the workspace.
    """
    if not parts:
        return []
    more = len(parts) - MAX_LINES
    rest = say("… and {n} more: {command}", n=number(more, 0), command=f"taretrace status {workspace.root}")
    return [
        say("Not read, or not completely:"),
        *(f"  {_line(part, workspace)}" for part in parts[:MAX_LINES]),
        *([f"  {rest}"] if more > 0 else []),
    ]


def unread_rows(parts: list[UnreadPart], workspace: Workspace) -> list[dict[str, Any]]:
    """Return what a run could not read, for JSON."""
    return [
        {
            "file": p.file,
            "rows_rejected": p.rows,
            **p.why.columns,
            "reason": format_reason(p.why, workspace.season.catalogue),
            "next": _next_command(p, workspace),
        }
        for p in parts
    ]
