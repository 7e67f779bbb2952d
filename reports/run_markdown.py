"""Summary of a run as Markdown: outcome, moves with their cautions, alarms, links to the pages."""

from pathlib import Path
from urllib.parse import quote

import polars as pl

from reports.language.display_units import DisplayUnits
from reports.language.move_phrases import is_increase, move_command, move_step, move_values
from reports.language.reason_text import format_reason
from reports.language.translate import say
from reports.run_markdown_data import load_moves
from reports.sections.cautions import CAUTION
from transforms.config.workspace import Season, Workspace
from transforms.contracts.reason import Reason
from transforms.operations.publish import Publication

SPECIAL = str.maketrans({c: f"\\{c}" for c in "\\`*_[]#|~>"} | {"<": "&lt;", "&": "&amp;"})
MAX_LINKS = 20


def escape_markdown(text: str) -> str:
    r"""Return a text without any meaning in Markdown or HTML; ids come from files.

    >>> escape_markdown("M_1 <b>")
    'M\\_1 &lt;b\\>'
    """
    return " ".join(text.split()).translate(SPECIAL)


def _is_private(page: Path, workspace: Workspace) -> bool:
    """Return True if a page is a grower's sheet, which is private data; even its name is."""
    return page.resolve().relative_to(workspace.out.resolve()).parts[0] == "growers"


def page_address(page: Path, workspace: Workspace, published: Publication | None) -> str:
    """Return the address of a page: on the web if it is published there, else of its copy or of the page itself."""
    publish, out = workspace.season.publish, workspace.out.resolve()
    inside = page.resolve().relative_to(out)
    if published is None or published.fault is not None or publish.folder is None:
        return page.resolve().as_uri()
    if publish.address:
        return f"{publish.address}/{quote(inside.as_posix())}"
    return (publish.folder / inside).as_uri()


def _move_lines(moves: pl.DataFrame, season: Season) -> list[str]:
    """Return one line per advised move, the cautions below; one sentence if there is no move."""
    shown = DisplayUnits(season.units, season.currency, season.time_zone)
    if not moves.height:
        return [say("No setting change is advised.")]
    lines = []
    for move in moves.iter_rows(named=True):
        before, after = move_values(move, season.catalogue, shown)
        command = move_command(move["setting"], is_up=is_increase(move), catalogue=season.catalogue)
        text = say("{command}: from {before} to {after}", command=command, before=before, after=after)
        step = move_step(move, season.catalogue, shown)
        text = say("{move} ({step})", move=text, step=step) if step else text
        lines.append(f"- **{escape_markdown(move['machine_id'])}**: {escape_markdown(text)}")
    heading = say("Setting changes for the next shift")
    return [f"### {heading}", "", *lines, "", f"> {say(CAUTION)}"]


def run_markdown(
    workspace: Workspace, outcome: str, alarms: list[Reason], pages: list[Path], published: Publication | None
) -> str:
    """Return the summary of a run.

    Args:
        workspace: the workspace after the run.
        outcome: one sentence on how the run ended, in Markdown.
        alarms: the alarms of the run.
        pages: the pages that it wrote, in the folder `out/`.
        published: outcome of publishing them; None if season.toml names no folder.
    """
    lines = [outcome, ""]
    if pages:
        lines += [*_move_lines(load_moves(workspace), workspace.season), ""]
    if alarms:
        texts = [escape_markdown(format_reason(a, workspace.season.catalogue)) for a in alarms]
        lines += [*(f"- {text}" for text in texts), ""]
    shown = [p for p in pages if workspace.season.publish.growers or not _is_private(p, workspace)][:MAX_LINKS]
    links = [f"[{escape_markdown(p.name)}](<{page_address(p, workspace, published)}>)" for p in shown]
    return "\n".join([*lines, " · ".join(links)])
