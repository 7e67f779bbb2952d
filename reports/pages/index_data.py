"""Data of the index: the pages in the output folder, found by listing it."""

import datetime as dt
import re
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from reports.page.head import read_title
from reports.page.links import FOLLOWED_PAGE

INDEX = "index.html"
GROWERS = "growers"
"""Subfolder of growers' sheets."""
COMPANIONS = (".pdf", ".xlsx")
"""Suffixes of the other forms of a page."""


class PageKind(StrEnum):
    """Kind of a page, by its file name."""

    NEWEST_SHIFT = "newest_shift"
    SHIFT = "shift"
    SHIFT_EVIDENCE = "shift_evidence"
    SEASON = "season"
    APPENDIX = "appendix"
    SEASON_LOADS = "season_loads"
    FLEET = "fleet"
    FOLLOWED = "followed"
    GUIDE = "guide"
    CARD = "card"
    WHAT_IF = "what_if"
    LOAD = "load"
    TRIAL = "trial"
    VARIATION = "variation"
    GROWER = "grower"
    OTHER = "other"


NAMES = {
    "shift.html": PageKind.NEWEST_SHIFT,
    "season.html": PageKind.SEASON,
    "season-appendix.html": PageKind.APPENDIX,
    "season-loads.html": PageKind.SEASON_LOADS,
    "fleet.html": PageKind.FLEET,
    FOLLOWED_PAGE: PageKind.FOLLOWED,
    "guide.html": PageKind.GUIDE,
    "what-if.html": PageKind.WHAT_IF,
}
PREFIXES = {
    "shift-": PageKind.SHIFT,
    "card-": PageKind.CARD,
    "load-": PageKind.LOAD,
    "trial-": PageKind.TRIAL,
    "variation-": PageKind.VARIATION,
}
EVIDENCE = re.compile(r"shift-(?:\d{4}-\d\d-\d\d|none)-[a-z]+\.html")
"""Names of the pages with the evidence behind a shift page (`reports/page/links.py`)."""
DATE_LENGTH = len("2025-10-31")


@dataclass(frozen=True)
class ListedPage:
    """A page in the output folder.

    Attributes:
        kind: its kind.
        name: its path relative to the folder, with forward slashes; untrusted text.
        title: its title; untrusted text.
        written_at: when it was written, UTC.
        shift_date: the shift of a shift page or of its evidence; None for other pages and if it has no shift.
        companions: paths of its PDF and workbook, as `name`.
    """

    kind: PageKind
    name: str
    title: str
    written_at: dt.datetime
    shift_date: dt.date | None = None
    companions: tuple[str, ...] = ()


def list_pages(out: Path, *, growers: bool = True) -> list[ListedPage]:
    """Return the pages of an output folder without its index, sorted by name.

    Args:
        out: the folder; it may be missing.
        growers: include growers' sheets.
    """
    places = [out, *([out / GROWERS] if growers else [])]
    paths = [p for place in places if place.is_dir() for p in sorted(place.glob("*.html")) if p.is_file()]
    return [_listed(p, out) for p in paths if p != out / INDEX]


def _listed(path: Path, out: Path) -> ListedPage:
    kind = _kind(path, out)
    companions = [c for end in COMPANIONS if (c := path.with_suffix(end)).is_file()]
    return ListedPage(
        kind,
        path.relative_to(out).as_posix(),
        _title(path),
        dt.datetime.fromtimestamp(path.stat().st_mtime, dt.UTC),
        _shift_date(path) if kind in {PageKind.SHIFT, PageKind.SHIFT_EVIDENCE} else None,
        tuple(c.relative_to(out).as_posix() for c in companions),
    )


def _kind(path: Path, out: Path) -> PageKind:
    if path.parent != out:
        return PageKind.GROWER
    if EVIDENCE.fullmatch(path.name):
        return PageKind.SHIFT_EVIDENCE
    named = (kind for prefix, kind in PREFIXES.items() if path.name.startswith(prefix))
    return NAMES.get(path.name) or next(named, PageKind.OTHER)


def _shift_date(path: Path) -> dt.date | None:
    try:
        return dt.date.fromisoformat(path.stem.removeprefix("shift-")[:DATE_LENGTH])
    except ValueError:
        return None


def _title(path: Path) -> str:
    """Return the title of a page; the name of its file, which may contain bytes that are not text, if it has none."""
    return read_title(path) or path.stem.encode("utf-8", "replace").decode()
