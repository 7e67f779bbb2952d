"""Output of the commands that write files or rows: whole words at every width of a terminal."""

import re
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from rich.cells import cell_len

from flows.stages import pages
from tests.flows.test_command_output import RULE, WIDE, on_terminal
from tests.support.program import Ran
from tests.support.workspace_tables import Whole
from transforms.config.workspace import Workspace

REPORTS = ("shift", "season", "followed", "grower", "guide", "load L1")
COMMANDS = (
    "export FOLDER --to FOLDER/tables",
    *(f"report {name} FOLDER" for name in REPORTS),
    "init NEW --yes",
    "examples NEW",
    "schema FOLDER",
    "translate FOLDER",
    *(pytest.param(c, marks=pytest.mark.slow) for c in ("ingest FOLDER", "benchmark FOLDER --page")),
)
"""Commands in a workspace of their own; those that write pages have them written already."""


def plain(text: str) -> list[str]:
    """Return the words of an output in order, without rules and colons of headings; digits may differ between calls."""
    return [re.sub(r"\d+", "0", w.removesuffix(":")) for w in text.split() if w.strip(f"{RULE}✓")]


def check_lines(wide: Ran, narrow: Ran, width: int) -> None:
    """Check that a narrow terminal shows the words of a wide one, in lines that fit unless they are one word."""
    assert (wide.code, narrow.code) == (0, 0), narrow.err
    assert wide.out.split()
    assert set(plain(narrow.out)) == set(plain(wide.out))
    assert plain(narrow.err) == plain(wide.err)
    lines = [*narrow.out.splitlines(), *narrow.err.splitlines()]
    assert [line for line in lines if cell_len(line) > width and len(line.split()) > 1] == []


@pytest.fixture
def folders(whole: Whole, tmp_path: Path, monkeypatch) -> Callable[[str], list[str]]:
    """Return a function that puts new folders of equally long names into the words of a command."""
    made = 0

    def written(workspace: Workspace, *_: object) -> list[Path]:
        names = [workspace.out / f"page-of-the-season-{n}.html" for n in range(3)]
        for path in names:
            path.write_text("<title>Page · taretrace</title>", "utf-8")
        return names

    def fill(command: str) -> list[str]:
        nonlocal made
        made += 1
        new, folder = tmp_path / f"new-{made}", tmp_path / f"season-{made}"
        if "FOLDER" in command:
            unused = () if command.startswith("ingest") else ("lake", "received")
            shutil.copytree(whole.workspace.root, folder, ignore=shutil.ignore_patterns(*unused))
        return command.replace("FOLDER", str(folder)).replace("NEW", str(new)).split()

    names = ("shift_page", "season_report", "followed_page", "grower_sheets", "load_page", "fleet_page")
    for name in (*(f"publish_{n}" for n in names), "publish_guide"):
        monkeypatch.setattr(pages, name, written)
    return fill


@pytest.mark.usefixtures("stored_results")
@pytest.mark.parametrize("command", COMMANDS)
def test_no_word_of_a_command_that_writes_is_broken(folders, monkeypatch, command):
    wide = on_terminal(monkeypatch, WIDE, folders(command))
    for width in (80, 40):
        check_lines(wide, on_terminal(monkeypatch, width, folders(command)), width)
