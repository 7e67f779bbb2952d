"""Output of the checks of joins: a table on consoles, rows in JSON."""

from collections.abc import Sequence
from typing import Any

from flows.cli.columns import plain
from flows.cli.console_table import ConsoleTable
from reports.language.reason_text import format_reason
from reports.language.translate import say
from transforms.config.settings_catalogue import Catalogue
from transforms.config.workspace import Workspace
from transforms.joins.join_finding import JoinFinding


def _join_row(found: JoinFinding, catalogue: Catalogue) -> dict[str, Any]:
    """Return a finding with its codes, figures and sentences."""
    return {
        "code": found.says.code,
        "source": found.source,
        "n": found.n,
        "total": found.total,
        "share": found.share,
        "ratio": found.ratio,
        "cause_code": found.cause.code,
        "remedy_code": found.remedy.code,
        "finding": format_reason(found.says, catalogue),
        "cause": format_reason(found.cause, catalogue),
        "remedy": format_reason(found.remedy, catalogue),
    }


def join_rows(found: Sequence[JoinFinding], workspace: Workspace) -> list[dict[str, Any]]:
    """Return all findings with their sentences."""
    return [_join_row(f, workspace.season.catalogue) for f in found]


def join_tables(found: Sequence[JoinFinding], workspace: Workspace) -> list[ConsoleTable]:
    """Return the table of the findings; none if there is no finding."""
    if not found:
        return []
    columns = plain(say("Finding"), "finding"), plain(say("Likely cause"), "cause"), plain(say("Remedy"), "remedy")
    return [ConsoleTable(say("Sources that do not fit together"), columns, join_rows(found, workspace))]


def join_lines(found: Sequence[JoinFinding], workspace: Workspace) -> list[str]:
    """Return a line per finding with its likely cause and remedy."""
    return [
        say("Warning: {finding}. Likely cause: {cause}. Remedy: {remedy}.", **texts)
        for texts in ({k: row[k] for k in ("finding", "cause", "remedy")} for row in join_rows(found, workspace))
    ]
