"""Lines at the end of a run that name the files it could not read, each with its reason and the next command."""

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from reports.language.display_units import number
from reports.language.reason_text import format_reason
from reports.language.translate import say, say_n
from transforms.config.workspace import Workspace
from transforms.ingest.unread import QUARANTINED, UNREAD_SHEET, UnreadPart

if TYPE_CHECKING:
    from transforms.contracts.reason import Reason

MAX_LINES = 10
"""Maximum number of lines; `status` shows all files."""
MAX_NAMES = 3
"""Maximum number of files that a line names."""
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


def _lines(parts: list[UnreadPart], workspace: Workspace) -> Iterator[str]:
    """Yield a line per file or sheet; files whose rows were rejected for the same reason share one."""
    alike: dict[Reason, list[UnreadPart]] = {}
    for part in parts:
        if part.rows:
            alike.setdefault(part.why, []).append(part)
        else:
            yield _line(part, workspace)
    for why, group in alike.items():
        if len(group) == 1:
            yield _line(group[0], workspace)
            continue
        names = [part.file for part in group]
        shown = ", ".join(names[:MAX_NAMES]) + (", …" if len(names) > MAX_NAMES else "")
        yield say(
            "{n} files ({names}): {rows} rows rejected, most often: {reason}. Next: {command}",
            n=number(len(names), 0),
            names=shown,
            rows=number(sum(part.rows for part in group), 0),
            reason=format_reason(why, workspace.season.catalogue),
            command=_next_command(group[0], workspace),
        )


def unread_lines(parts: list[UnreadPart], workspace: Workspace) -> list[str]:
    """Return the lines about what a run could not read; none if it read everything.

    Args:
        parts: the files, sheets and rows that were not read.
        workspace: the workspace.
    """
    if not parts:
        return []
    lines = list(_lines(parts, workspace))
    more = len(lines) - MAX_LINES
    rest = say("… and {n} more: {command}", n=number(more, 0), command=f"taretrace status {workspace.root}")
    return [
        say("Not read, or not completely:"),
        *(f"  {line}" for line in lines[:MAX_LINES]),
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
