"""Writes measured figures into the RESULTS pages, with the date and the commit they were measured on."""

import datetime as dt
import subprocess
from pathlib import Path

TESTS = Path(__file__).parents[1]
VALIDATION, BENCHMARKS = TESTS / "validation" / "RESULTS.md", TESTS / "benchmarks" / "RESULTS.md"
WRITTEN = (
    *(str(page.relative_to(TESTS.parent)) for page in (VALIDATION, BENCHMARKS)),
    "transforms/trace/calibration.svg",
)
"""Files that proofs and benchmarks write: one that was run before does not make the code differ from its commit."""


def git(*words: str) -> str:
    """Return the output of a git command in this repository."""
    done = subprocess.run(["git", "-C", str(TESTS), *words], capture_output=True, text=True, check=True)
    return done.stdout.strip()


def commit() -> str:
    """Return the short id of the commit that is checked out, and whether files differ from it."""
    others = [f":(top,exclude){path}" for path in WRITTEN]
    changed = git("status", "--porcelain", "--untracked-files=no", "--", ":/", *others)
    return git("rev-parse", "--short", "HEAD") + (" with uncommitted changes" if changed else "")


def markdown_table(head: list[str], rows: list[list[str]]) -> list[str]:
    """Return a table in Markdown."""
    return ["| " + " | ".join(r) + " |" for r in (head, ["---"] * len(head), *rows)]


def write_figures(page: Path, section: str, lines: list[str], measured: str = "", *, only_print: bool = False) -> None:
    """Print the figures of a section and replace those on the page.

    Args:
        page: the page, with the lines `<!-- SECTION -->` and `<!-- end of SECTION -->` around the figures.
        section: name in these lines.
        lines: the figures, in Markdown.
        measured: note on the machine and the runs, such as "Two idle cores, medians of three".
        only_print: leave the page as it is, because the run was smaller than the one that the page describes.

    Raises:
        ValueError: the page has no such section.
    """
    begin, end = f"<!-- {section} -->", f"<!-- end of {section} -->"
    text = page.read_text("utf-8")
    before, found, rest = text.partition(begin)
    _, ended, after = rest.partition(end)
    if not (found and ended):
        raise ValueError(f"{page} has no section '{section}'")
    when = f"Measured {dt.datetime.now(dt.UTC):%Y-%m-%d} on commit {commit()}.{f' {measured}.' if measured else ''}"
    print("", when, *lines, sep="\n", flush=True)
    if only_print:
        print("", f"{page.name} keeps its figures: they come from a run of full size.", sep="\n")
        return
    page.write_text("\n".join([before + begin, "", when, "", *lines, "", end]) + after, "utf-8")
