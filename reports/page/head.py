"""Title, heading, date line and first sentence of a written page, read back from its file."""

import html
import re
from pathlib import Path

TITLE = re.compile(r"<title>(.*?) · taretrace</title>", re.DOTALL)
HEADING = re.compile(r"<h1>(.*?)</h1>", re.DOTALL)
DATE_LINE = re.compile(r'<p class="when">(.*?)</p>', re.DOTALL)
LEAD = re.compile(r'<p class="lead">(.*?)</p>', re.DOTALL)
TAG = re.compile(r"<[^>]*>")
TITLE_BYTES, HEAD_BYTES = 4096, 1 << 17
"""The title precedes the style sheet of a page, the other parts follow it; all are within these first bytes."""


def read_title(path: Path) -> str | None:
    """Return the title of a page without the name of the program; None if it has none."""
    return _find(TITLE, path, TITLE_BYTES)


def read_heading(path: Path) -> str | None:
    """Return the heading of a page; None if it has none."""
    return _find(HEADING, path, HEAD_BYTES)


def read_date_line(path: Path) -> str | None:
    """Return the line of a page with its day; None if it has none."""
    return _find(DATE_LINE, path, HEAD_BYTES)


def read_lead(path: Path) -> str | None:
    """Return the first sentence of a page, which answers its question; None if it has none."""
    return _find(LEAD, path, HEAD_BYTES)


def _find(pattern: re.Pattern[str], path: Path, first_bytes: int) -> str | None:
    with path.open("rb") as handle:
        found = pattern.search(handle.read(first_bytes).decode("utf-8", "replace"))
    return " ".join(html.unescape(TAG.sub("", found[1])).split()) if found else None
