"""One catalogue contains all English texts, and a translation reaches every text of every page."""

import datetime as dt
import json
import re
from collections.abc import Iterator
from dataclasses import fields, replace
from html.parser import HTMLParser
from pathlib import Path

import pytest
from babel.messages.catalog import Catalog
from babel.messages.pofile import read_po, write_po

from flows import stages
from flows.stages import pages
from reports.language.reason_text import format_reason
from reports.language.translate import chart_locales, local_date, say, say_n, use_language
from reports.message import Message, run_message
from reports.pages.fleet import write_fleet
from reports.pages.fleet_data import load_fleet_page
from reports.pages.grower_data import grower_data
from reports.pages.grower_sheet import write_grower_sheet
from reports.pages.guide import write_guide
from reports.pages.guide_data import load_guide_page
from reports.pages.index import write_index
from reports.pages.index_data import INDEX, list_pages
from reports.pages.load import write_load_page
from reports.pages.load_data import load_load_page
from reports.pages.season import write_season, write_season_loads
from reports.pages.season_data import load_season_loads_page, load_season_page
from reports.pages.shift import write_shift_page
from reports.pages.shift_data import load_shift_page
from reports.pages.trial_sheet import write_trial_sheet
from reports.pages.what_if import write_what_if
from reports.pages.what_if_data import load_what_if_page
from tests.support.program import Demo, taretrace_here
from tests.support.pseudo_language import bare, bracketed, texts_of_catalogue, texts_of_sources
from tests.unit.reports.conftest import followed_page_of
from tests.validation.seasons import QUIET
from transforms.config.settings_catalogue import load_catalogue
from transforms.config.workspace import Prices
from transforms.contracts.reason import reason
from transforms.errors import WorkspaceError
from transforms.storage.lake import Lake
from transforms.trial.plan import read_trial

ROOT = Path(__file__).parents[3] / "reports"
STORED_WORDS = {
    "advice": ["outlook", "verdict"],
}
"""Table -> columns with words that pages show."""


def ids(catalogue: Catalog) -> set[str]:
    return {m.id if isinstance(m.id, str) else m.id[0] for m in catalogue if m.id}


@pytest.fixture(scope="module")
def catalogue() -> Catalog:
    with (ROOT / "language" / "catalogue.pot").open("rb") as handle:
        return read_po(handle)


def test_the_catalogue_holds_every_text_of_the_sources_and_no_other(catalogue):
    texts = ids(texts_of_sources())
    assert ids(catalogue) == texts, "run the command of DEVELOPERS.md that writes catalogue.pot"
    assert len(texts) > 500


def test_every_word_of_the_tables_is_in_the_catalogue(demo: Demo, catalogue):
    known = ids(catalogue)
    with stages.open_warehouse(demo.workspace) as warehouse:
        stored = {
            s
            for t, columns in STORED_WORDS.items()
            for c in columns
            for s in warehouse.table(t)[c].drop_nulls().unique()
        }
    assert stored <= known
    settings = {w for s in load_catalogue().values() for w in (s.label, s.up, s.down)}
    prices = {f.metadata["words"] for f in fields(Prices)}
    assert settings | prices <= known


@pytest.fixture(scope="module")
def foreign(demo: Demo, tmp_path_factory) -> dict[str, str]:
    """Return every page of the demo season in the bracketed language."""
    folder, out = (
        bracketed(texts_of_catalogue(), tmp_path_factory.mktemp("text"), "de"),
        tmp_path_factory.mktemp("foreign"),
    )
    season = replace(demo.workspace.season, locale="de-DE", texts=folder)
    query = stages.TrialAsked("cleaner_1_speed_rpm", "M02", None, None, None, 20.0)
    trial = stages.plan_trial(demo.workspace, query).trial
    pages.publish_shift_page(demo.workspace, QUIET)
    with stages.open_warehouse(demo.workspace) as warehouse:
        paths = write_shift_page(load_shift_page(warehouse, season), season, out)
        paths += write_season(load_season_page(warehouse, season), season, out)
        paths.append(write_season_loads(load_season_loads_page(warehouse), season, out))
        paths += write_fleet(load_fleet_page(warehouse, season), season, out)
        paths += write_guide(load_guide_page(warehouse), season, out)
        paths += write_grower_sheet(next(grower_data(warehouse, season)), season, out)
        grade = warehouse.table("load_trace_grade").sort("trace_quality")
        load = load_load_page(grade["load_id"][-1], warehouse, Lake(demo.workspace.lake), season.catalogue)
        paths += write_load_page(load, season, out)
        paths.append(write_what_if(load_what_if_page(warehouse, demo.workspace.what_if), season, out))
    planned = read_trial(demo.workspace.trials / f"{trial.trial_id}.toml", season.catalogue)
    paths.append(write_trial_sheet(planned, 3, season, out))
    paths.append(followed_page_of(demo.workspace, out, season))
    paths.append(write_index(list_pages(out), season, out / INDEX))
    return {p.name: p.read_text("utf-8") for p in paths}


def shift_page_of(foreign: dict[str, str]) -> str:
    """Return the first page after the shift."""
    (page,) = (html for name, html in foreign.items() if re.fullmatch(r"shift-\d{4}-\d\d-\d\d\.html", name))
    return page


@pytest.fixture(scope="module")
def mail(foreign, demo: Demo, tmp_path_factory) -> Message:
    """Return the message about the shift page in the bracketed language, with one alarm."""
    folder = bracketed(texts_of_catalogue(), tmp_path_factory.mktemp("mail-text"), "de")
    season = replace(demo.workspace.season, locale="de-DE", texts=folder)
    page = tmp_path_factory.mktemp("mail") / "shift.html"
    page.write_text(shift_page_of(foreign), "utf-8")
    with use_language("de-DE", folder):
        alarm = format_reason(reason("publish_folder_missing"))
    message = run_message([page], [alarm], season)
    assert message is not None
    return message


class Seen(HTMLParser):
    """Parser that collects the visible texts and labels of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.texts: list[str] = []
        self.inside: list[str] = []

    def handle_starttag(self, tag, attrs):
        if tag not in {"meta", "link", "input", "br", "img"}:
            self.inside.append(tag)
        self.texts += [v for k, v in attrs if k in {"aria-label", "title", "data-label"} and v]

    def handle_endtag(self, tag):
        if tag in self.inside:
            while self.inside.pop() != tag:
                pass

    def handle_data(self, data):
        if not {"script", "style", "title"} & set(self.inside) and data.strip():
            self.texts.append(data.strip())


def chart_titles(node: object) -> Iterator[str]:
    if isinstance(node, dict):
        for k, v in node.items():
            if k in {"title", "description"} and isinstance(v, str):
                yield v
            yield from chart_titles(v)
    elif isinstance(node, list):
        for v in node:
            yield from chart_titles(v)


DATA = re.compile(
    r"Demo season \(invented\)|Europe/Prague|taretrace (report load LOAD|trial plan [\w ,'-]+)|EUR|km/h|t/ha|"
    r"(station-)?(north|south|east)|(dirt_tare_pct|root_loss_t_ha|top_tare_pct)|[AB]|generation|rpm|\w*\d\w*|"
    r"(Mo|Di|Mi|Do|Fr|Sa|So)\.|(Jan|Feb|März|Apr|Mai|Ju[nl]i|Aug|Sept|Okt|Nov|Dez)\.?"
)
"""Ids, names, units and dates: data, not text."""
FILE_OR_ROW = re.compile(r'<th scope="row">.*?</th>|data-label="⟦Row in the file⟧">.*?</td>', re.DOTALL)
"""Cells of the table of rejected rows that quote a file."""


def test_a_translation_reaches_every_text_that_is_seen(foreign):
    missed = {}
    for name, html in foreign.items():
        seen = Seen()
        seen.feed(html)
        assert len(seen.texts) > 40, name
        rejected = re.search(r'id="rejected".*?</table>', html, re.DOTALL)
        data = "" if rejected is None else unescaped(" ".join(FILE_OR_ROW.findall(rejected[0])))
        left = {t for t in seen.texts if re.search(r"[a-z]{3}", DATA.sub("", bare(t)))}
        left = {t for t in left if t not in data}
        if left:
            missed[name] = sorted(left)[:8]
    assert missed == {}


def test_a_translation_reaches_every_text_of_the_message(mail):
    lines = [*mail.subject.splitlines(), *mail.text.splitlines()]
    assert len([t for t in lines if "⟦" in t]) >= 6
    assert [t for t in lines if re.search(r"[a-z]{3}", DATA.sub("", bare(t)))] == []


ENGLISH_DAY = re.compile(r"\b(Mon|Tue|Wed|Thu|Fri|Sat|Sun)\b,? \d|\d (Oct|Dec|Mar|May)\b")


def test_dates_of_a_german_page_are_german(foreign, mail):
    german = re.compile(r"\b(Mo|Di|Mi|Do|Fr|Sa|So)\., \d{1,2}\. (Sept|Okt|Nov)\.")
    (when,) = re.findall(r'<p class="when">(.*?)</p>', shift_page_of(foreign))
    assert german.search(when)
    assert german.search(mail.text.splitlines()[0])
    for name, html in foreign.items():
        assert ENGLISH_DAY.search(re.sub(r"<script.*?</script>", "", html, flags=re.DOTALL)) is None, name


@pytest.mark.parametrize("spoken", ["de-DE", "fr-FR", "pl-PL"])
def test_names_of_days_and_months_are_never_english(spoken):
    """Every weekday and month, in dates of all lengths and in charts; some months are spelt alike."""
    days = [dt.date(2025, month, 1 + k) for month in range(1, 13) for k in range(7)]
    alike = {"April", "August", "September", "November", "Apr", "Aug", "Jan", "Feb", "Sept", "Sep", "Nov"}

    def names(locale: str) -> set[str]:
        with use_language(locale):
            charts = chart_locales()["time"]
            texts = [local_date(d, skeleton) for d in days for skeleton in ("MMMEd", "yMMMEd", "yMMMMEEEEd", "yMMMM")]
            texts += [n for key in ("days", "shortDays", "months", "shortMonths") for n in charts[key]]
        return set(re.findall(r"[^\W\d_]+", " ".join(texts)))

    assert len(names(spoken)) > 30
    assert names(spoken) & (names("en-GB") - alike) == set()


def unescaped(text: str) -> str:
    import html  # noqa: PLC0415

    return html.unescape(text)


def test_a_translation_reaches_every_title_of_a_chart(foreign):
    checked = 0
    for name, html in foreign.items():
        for found in re.findall(
            r'<script type="application/json" (?:class="chart-spec"|id="spec-)[^>]*>(.*?)</script>', html
        ):
            for title in chart_titles(json.loads(found)):
                checked += 1
                assert not re.search(r"[a-z]{3}", DATA.sub("", bare(title))), (name, title)
    assert checked > 300


def test_numbers_and_dates_of_a_translated_page_are_local(foreign):
    shift = next(html for name, html in foreign.items() if name.endswith("-loads.html") and "shift" in name)
    assert re.search(r"<td[^>]*>−?\d+,\d+ |<td[^>]*>[^<]*\d,\d", shift)
    assert not re.search(r"<td[^>]*>\d+\.\d</td>", shift)
    assert 'lang="de-DE"' in shift
    assert '"decimal":","' in shift


def test_counts_take_the_form_of_their_language(tmp_path):
    out = Catalog(locale="cs", fuzzy=False)
    out.add(("{n} load", "{n} loads"), ("{n} naloz", "{n} nalozy", "{n} nalozu"))
    with (tmp_path / "cs.po").open("wb") as handle:
        write_po(handle, out)
    with use_language("cs-CZ", tmp_path):
        assert [say_n("{n} load", "{n} loads", n) for n in (1, 3, 7)] == ["1 naloz", "3 nalozy", "7 nalozu"]
        assert say("Machine") == "Machine"  # texts without a translation are shown in English
    assert [say_n("{n} load", "{n} loads", n) for n in (1, 1200)] == ["1 load", "1,200 loads"]


def test_a_broken_translation_is_reported_with_its_file(tmp_path):
    (tmp_path / "de.po").write_bytes(b'msgid "\xff"\nmsgstr "b"\n')
    with pytest.raises(WorkspaceError, match=r"the translation cannot be read.*de\.po"), use_language("de", tmp_path):
        pass


def test_the_catalogue_is_exported_for_translation(demo: Demo, catalogue):
    ran = taretrace_here("report", "texts", demo.workspace.root, "--json")
    assert ran.code == 0, ran.err
    path = Path(json.loads(ran.out)["catalogue"])
    assert path == demo.workspace.root.resolve() / "text" / "catalogue.pot"
    with path.open("rb") as handle:
        assert ids(read_po(handle)) == ids(catalogue)
