"""The index lists every page of the output folder, newest shift first, and no file name harms it."""

import datetime as dt
import os
import re
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote

import pytest

from reports.language.display_units import DisplayUnits
from reports.pages.index import MAX_OPEN, index_lists, page_address, write_index
from reports.pages.index_data import INDEX, PageKind, list_pages
from tests.unit.reports.chromium import console_errors, evaluate, opened, overflow, unfold
from transforms.config.workspace import Season, init_workspace

SHOWN = DisplayUnits("metric", "EUR", "Europe/Prague")
AT = dt.datetime(2025, 11, 1, 4, 30, tzinfo=dt.UTC)
KINDS = {
    "shift.html": PageKind.NEWEST_SHIFT,
    "shift-2025-10-31.html": PageKind.SHIFT,
    "shift-none.html": PageKind.SHIFT,
    "shift-2025-10-31-loads.html": PageKind.SHIFT_EVIDENCE,
    "season-appendix.html": PageKind.APPENDIX,
    "season.html": PageKind.SEASON,
    "season-loads.html": PageKind.SEASON_LOADS,
    "fleet.html": PageKind.FLEET,
    "followed.html": PageKind.FOLLOWED,
    "guide.html": PageKind.GUIDE,
    "card-G1.html": PageKind.CARD,
    "what-if.html": PageKind.WHAT_IF,
    "load-L1.html": PageKind.LOAD,
    "trial-T1.html": PageKind.TRIAL,
    "growers/grower-G1.html": PageKind.GROWER,
    "notes.html": PageKind.OTHER,
}
HOSTILE = (
    "<img src=x onerror=alert(1)>.html",
    'a" onclick="alert(2).html',
    "javascript:alert(3).html",
    "\u202eevil.html",
    "100% of it?#x.html",
    "{{ 7 * 7 }}.html",
)


@pytest.fixture
def season(tmp_path) -> Season:
    return init_workspace(tmp_path / "w").season


def put(out: Path, *names: str, title: str = "") -> None:
    (out / "growers").mkdir(parents=True, exist_ok=True)
    for name in names:
        head = f"<title>{title} · taretrace</title>" if title else ""
        (out / name).write_text(head, "utf-8")
        os.utime(out / name, (AT.timestamp(), AT.timestamp()))


class Links(HTMLParser):
    """The addresses of a page's links, and its elements that could run code."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.hrefs: list[str] = []
        self.active: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in {"script", "img", "iframe"} or any(k.startswith("on") for k, _ in attrs):
            self.active.append(tag)
        self.hrefs += [v for k, v in attrs if tag == "a" and k == "href" and v and not v.startswith("#")]


def test_the_kind_of_a_page_follows_from_its_file_and_no_other_file_is_listed(tmp_path):
    put(tmp_path, *KINDS, INDEX, "taretrace.xlsx", ".shift.html.partial")
    pages = list_pages(tmp_path)
    assert {p.name: p.kind for p in pages} == KINDS
    assert {p.written_at for p in pages} == {AT}
    assert {p.name for p in list_pages(tmp_path, growers=False)} == KINDS.keys() - {"growers/grower-G1.html"}


def test_a_missing_folder_has_no_pages(tmp_path, season):
    assert list_pages(tmp_path / "none") == []
    assert Links(write_index([], season, tmp_path / INDEX).read_text("utf-8")).hrefs == []


def test_a_page_is_listed_once_with_its_title_and_its_other_forms(tmp_path):
    put(tmp_path, "load-L1.html", title="Load &lt;7&gt; &amp; 8")
    put(tmp_path, "load-L1.pdf", "load-L1.xlsx", "trial-T1.html")
    load, trial = list_pages(tmp_path)
    assert (load.title, load.companions) == ("Load <7> & 8", ("load-L1.pdf", "load-L1.xlsx"))
    assert (trial.title, trial.companions) == ("trial-T1", ())


def test_the_newest_shift_is_first_and_long_lists_and_growers_are_folded(tmp_path):
    days = [f"shift-2025-10-{d:02}.html" for d in range(1, 31)]
    loads = [f"load-{n}.html" for n in range(20)]
    put(tmp_path, *days, *loads, *KINDS)
    lists = {s.id: s for s in index_lists(list_pages(tmp_path), SHOWN)}
    assert list(lists) == ["shifts", "season", "loads", "trials", "growers", "others"]
    shifts = lists["shifts"]
    assert [x.href for x in (*shifts.links, *shifts.folded)] == [
        "./shift-2025-10-31.html",
        *(f"./{d}" for d in reversed(days)),
        "./shift-none.html",
    ]
    assert len(shifts.links) == len(lists["loads"].links) == MAX_OPEN
    assert lists["growers"].links == ()
    assert [x.href for x in lists["growers"].folded] == ["./growers/grower-G1.html"]


def test_every_page_is_linked_by_a_relative_address_with_its_date(tmp_path, season):
    put(tmp_path, *KINDS)
    text = write_index(list_pages(tmp_path), season, tmp_path / INDEX).read_text("utf-8")
    hrefs = Links(text).hrefs
    assert sorted(unquote(h) for h in hrefs) == sorted(f"./{n}" for n in KINDS)
    assert text.count("05:30") == len(KINDS) - 2  # the newest shift and its evidence share one date


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_file_name_or_title_is_text(tmp_path, season, name):
    put(tmp_path, name)
    put(tmp_path, "load-L1.html", title=name.replace("<", "&lt;"))
    text = write_index(list_pages(tmp_path), season, tmp_path / INDEX).read_text("utf-8")
    links = Links(text)
    assert links.active == []
    assert "\u202e" not in text
    assert all(re.fullmatch(r"\./[A-Za-z0-9%_./~-]+", h) for h in links.hrefs)
    assert (tmp_path / unquote(page_address(name))).exists()


def test_a_file_name_that_is_not_text_is_listed(tmp_path, season):
    name = os.fsdecode(b"\xff\xfe.html")
    try:
        put(tmp_path, name)
    except OSError:
        pytest.skip("this file system refuses such names")
    assert "%FF%FE.html" in write_index(list_pages(tmp_path), season, tmp_path / INDEX).read_text("utf-8")


def test_the_index_depends_on_the_pages_alone(tmp_path, season):
    put(tmp_path, *KINDS)
    one, two = (write_index(list_pages(tmp_path), season, tmp_path / INDEX).read_bytes() for _ in range(2))
    assert one == two


@pytest.mark.parametrize("width", [390, 768, 1280])
def test_the_index_fits_every_width_and_its_links_lead_to_pages(browser, tmp_path, season, width):
    put(tmp_path, *KINDS, "load-" + "x" * 200 + ".html", HOSTILE[0], title="A page with a longer title of its own")
    opened(browser, write_index(list_pages(tmp_path), season, tmp_path / INDEX), width)
    assert overflow(browser) <= 0
    unfold(browser)
    assert overflow(browser) <= 0
    assert console_errors(browser) == []
    links = evaluate(browser, "return [...document.querySelectorAll('main a')].map(a => a.href)")
    assert len(links) == len(KINDS) + 1
    assert all(Path(unquote(h.removeprefix("file://"))).is_file() for h in links)
