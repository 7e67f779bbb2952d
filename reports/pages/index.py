"""Index of the output folder: links to all pages, the newest shift first."""

import os
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from urllib.parse import quote

from reports.language.display_units import DisplayUnits
from reports.language.translate import mark, say, say_n, use_language
from reports.page.html import render
from reports.pages.index_data import ListedPage, PageKind
from transforms.config.workspace import Season

MAX_OPEN = 14
"""A longer list of shifts or loads continues in a fold."""
WORDS = {
    PageKind.SHIFT: mark("What to change before the next shift, and a review of the shift."),
    PageKind.SEASON: mark("What soil and lost roots cost, what drove them, and what to do."),
    PageKind.APPENDIX: mark("Checks, methods, data health and all tables of the season report."),
    PageKind.SEASON_LOADS: mark("All loads of the season, to search and filter."),
    PageKind.FLEET: mark("Machines, operators, growers and fields, each compared under its own conditions."),
    PageKind.FOLLOWED: mark("Advised changes that were made, by week and machine, and what they saved."),
    PageKind.GUIDE: mark("Start values for each class of wetness and soil."),
    PageKind.CARD: mark("Card of the setting guide for one machine type, to print."),
    PageKind.WHAT_IF: mark("Dirt, root loss and cost for chosen conditions and settings."),
    PageKind.LOAD: mark("From a load back to the minutes and the passes that filled it."),
    PageKind.TRIAL: mark("Instructions for the operator of a split-run trial."),
    PageKind.VARIATION: mark("Cards for operators with a value for each load."),
    PageKind.GROWER: mark("Each sheet is for its grower alone: it holds private data."),
    PageKind.OTHER: mark("Other pages in this folder."),
}
"""Kind -> one line that describes its pages."""
SEASON_KINDS = (
    PageKind.SEASON,
    PageKind.APPENDIX,
    PageKind.SEASON_LOADS,
    PageKind.FLEET,
    PageKind.FOLLOWED,
    PageKind.GUIDE,
    PageKind.CARD,
    PageKind.WHAT_IF,
)
COMPANION_WORDS = {".pdf": mark("PDF"), ".xlsx": mark("workbook")}


@dataclass(frozen=True)
class Link:
    """Link to a page: its address, title and the time it was written, with links to its other forms.

    Attributes:
        href: relative address.
        title: text of the link.
        written: local date and time.
        words: line that describes the page; empty in a list whose pages are all of one kind.
        companions: addresses and names of its PDF and workbook, and of the pages with its evidence.
    """

    href: str
    title: str
    written: str
    words: str
    companions: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class LinkList:
    """A section of the index.

    Attributes:
        id: anchor.
        title: heading.
        words: line that describes its pages; empty if each link has its own.
        links: links that are always shown.
        folded: links in a fold.
        fold: label of the fold.
    """

    id: str
    title: str
    words: str
    links: tuple[Link, ...]
    folded: tuple[Link, ...] = ()
    fold: str = ""


def page_address(name: str) -> str:
    """Return the relative address of a file.

    >>> page_address("javascript:alert(1).html")
    './javascript%3Aalert%281%29.html'
    """
    return f"./{quote(os.fsencode(name))}"


def _link(page: ListedPage, shown: DisplayUnits, *, described: bool = False) -> Link:
    title = page.title
    if page.kind is PageKind.SHIFT and page.shift_date is not None:
        title = say("After the shift of {day}", day=shown.day(page.shift_date))
    companions = tuple((page_address(c), say(COMPANION_WORDS[Path(c).suffix])) for c in page.companions)
    words = say(WORDS[page.kind]) if described else ""
    return Link(page_address(page.name), title, shown.moment(page.written_at), words, companions)


def _shifts(pages: Iterable[ListedPage], evidence: Iterable[ListedPage], shown: DisplayUnits) -> LinkList:
    """Return the shifts, newest first, each with its forms and the pages with its evidence."""
    of_shift: dict[object, list[tuple[str, str]]] = {}
    for page in evidence:
        of_shift.setdefault(page.shift_date, []).append((page_address(page.name), page.title))
    by_date = sorted(pages, key=lambda p: (str(p.shift_date or ""), p.name), reverse=True)
    links = tuple(
        replace(link, companions=(*link.companions, *of_shift.get(page.shift_date, ())))
        for page, link in ((p, _link(p, shown)) for p in by_date)
    )
    folded = links[MAX_OPEN:]
    label = say_n("{n} earlier shift", "{n} earlier shifts", len(folded))
    return LinkList("shifts", say("Shifts"), say(WORDS[PageKind.SHIFT]), links[:MAX_OPEN], folded, label)


def index_lists(pages: list[ListedPage], shown: DisplayUnits) -> list[LinkList]:
    """Return the sections of the index, without empty ones."""

    def of(*kinds: PageKind) -> list[ListedPage]:
        return [p for kind in kinds for p in pages if p.kind is kind]

    growers = tuple(_link(p, shown) for p in of(PageKind.GROWER))
    loads, trials, cards, others = (
        tuple(_link(p, shown) for p in of(kind))
        for kind in (PageKind.LOAD, PageKind.TRIAL, PageKind.VARIATION, PageKind.OTHER)
    )
    more_loads = say_n("{n} more load", "{n} more loads", len(loads[MAX_OPEN:]))
    sheets = say_n("{n} grower's sheet", "{n} growers' sheets", len(growers))
    lists = [
        _shifts(of(PageKind.SHIFT), of(PageKind.SHIFT_EVIDENCE), shown),
        LinkList("season", say("Season"), "", tuple(_link(p, shown, described=True) for p in of(*SEASON_KINDS))),
        LinkList("loads", say("Loads"), say(WORDS[PageKind.LOAD]), loads[:MAX_OPEN], loads[MAX_OPEN:], more_loads),
        LinkList("trials", say("Trials"), say(WORDS[PageKind.TRIAL]), trials),
        LinkList("variation", say("Designed variation"), say(WORDS[PageKind.VARIATION]), cards),
        LinkList("growers", say("Growers"), say(WORDS[PageKind.GROWER]), (), growers, sheets),
        LinkList("others", say("Other pages"), say(WORDS[PageKind.OTHER]), others),
    ]
    return [s for s in lists if s.links or s.folded]


def write_index(pages: list[ListedPage], season: Season, path: Path) -> Path:
    """Write the index of pages, with links relative to its folder, and return its path."""
    shown = DisplayUnits(season.units, season.currency, season.time_zone)
    with use_language(season.locale, season.texts):
        newest = next((_link(p, shown) for p in pages if p.kind is PageKind.NEWEST_SHIFT), None)
        return render(
            "index.html.j2", path, season=season, newest=newest, lists=index_lists(pages, shown), zone=season.time_zone
        )
