"""First page after a shift with every part on it: order, date line, strip, subjects, yesterday's advice, map, paper."""

import datetime as dt
import html
import re
from dataclasses import replace
from typing import Any

import polars as pl
import pypdf
import pytest

from flows import stages
from flows.stages import pages
from reports.language.display_units import DisplayUnits
from reports.language.precision import setting_value
from reports.language.translate import use_language
from reports.page.links import FOLLOWED_PAGE, machine_anchor, shift_pages
from reports.page.pdf import write_pdf
from reports.page.summary import BarRows, PageLinks
from reports.pages.shift import shift_page, write_shift_page
from reports.pages.shift_data import ShiftPageData, load_shift_page
from reports.sections.cab_cards import cab_cards
from reports.sections.outcome_answer import NO_MOVES, headline, outcome, verdict_words, warning_strip
from reports.sections.outcome_data import OutcomeData
from reports.sections.shift_attention import attention, attention_links
from reports.sections.shift_followed import followed_advice, saving_words
from reports.sections.shift_summary import weather_words
from reports.sections.shift_summary_data import ShiftSummaryData
from tests.unit.reports.crowded_shift import crowded_page
from tests.unit.reports.test_shift_page import WORD_BUDGET, last_shift_mass, tables, words_of
from tests.validation.seasons import QUIET, Season, copy_of
from transforms.advice.cost import CAUSES
from transforms.config.response_catalogue import DIRT, RESPONSES, ROOT_LOSS
from transforms.config.workspace import Workspace
from transforms.contracts.result_tables import schema_of
from transforms.storage.product_basis import BasisCode, ProductStatus
from transforms.telemetry.set_points import OF_SET_POINT, OF_SIDES

METRIC, US = DisplayUnits("metric", "EUR", "Europe/Prague"), DisplayUnits("us", "USD", "America/Chicago")
LARGE_PT = 24.0


@pytest.fixture(scope="module")
def repriced(season: Season, tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """A season whose own price of beet is so low that other values of the assumed prices would change its advice."""
    workspace = copy_of(season, tmp_path_factory.mktemp("repriced") / "season")
    toml = workspace.root / "season.toml"
    toml.write_text(toml.read_text().replace("beet_per_t = 38.0", "beet_per_t = 20.0"))
    stages.advise_machines(workspace, season.fits, QUIET)
    pages.publish_shift_page(workspace, QUIET)
    return workspace


@pytest.fixture(scope="module")
def data(repriced: Workspace) -> ShiftPageData:
    with stages.open_warehouse(repriced) as warehouse:
        return load_shift_page(warehouse, repriced.season)


@pytest.fixture(scope="module")
def crowded(repriced: Workspace, data: ShiftPageData, tmp_path_factory: pytest.TempPathFactory) -> str:
    """The first page of twelve machines with every part."""
    out = tmp_path_factory.mktemp("crowded")
    return write_shift_page(crowded_page(data), repriced.season, out)[0].read_text("utf-8")


def part(page: str, name: str) -> str:
    """Return the section of a page with this id, as it is read."""
    (section,) = re.findall(rf'<section id="{name}".*?</section>', page, re.DOTALL)
    return html.unescape(section)


def test_the_parts_stand_in_order(crowded):
    marks = ('class="when"', "<h1>", 'class="lead"', 'class="tiles"', 'class="strip"', 'class="bars"')
    ids = ("looks", "followed", "cautions", "map", "evidence")
    at = [crowded.index(m) for m in (*marks, *(f'<section id="{i}"' for i in ids))]
    assert at == sorted(at)
    first, folded = part(crowded, "moves").split("<summary>")
    assert (first.count('class="bar-row"'), folded.count('class="bar-row"')) == (4, 8)
    assert folded.startswith("8 more")


def test_a_page_of_twelve_machines_with_every_part_keeps_its_budget(crowded):
    assert len(words_of(crowded)) <= WORD_BUDGET
    assert len(crowded.encode()) <= 600_000


def test_the_date_line_is_recomputed_from_the_tables(repriced: Workspace, data: ShiftPageData):
    with stages.open_warehouse(repriced) as warehouse:
        ahead, last = warehouse.table("next_condition"), max(warehouse.table("load_fact")["shift_date"].to_list())
        fields = set(warehouse.table("advice")["field_id"])
    own = [r for r in ahead.iter_rows(named=True) if r["field_id"] in fields]
    assert own
    wetness, air = (sum(r[c] for r in own) / len(own) for c in ("topsoil_wetness", "air_temp_c"))
    rain = [r["rain_mm"] for r in own if r["rain_mm"] is not None]
    forecast = sum(r["outlook"] == "forecast" for r in own) / len(own)
    fallen = sum(rain) / len(rain) if rain else 0.0
    with use_language("en-GB"):
        day, topsoil, *sky, degrees = shift_page(data, repriced.season).when.split(" · ")
    tomorrow = last + dt.timedelta(days=1)
    assert day == f"Shift of {tomorrow:%a} {tomorrow.day} {tomorrow:%b}"
    assert topsoil.split()[1] == ("dry" if wetness < 0.35 else "moist" if wetness < 0.65 else "wet")
    assert degrees == f"{air:.0f} °C"
    assert sky == ["no forecast" if forecast < 0.5 else "no rain" if fallen < 0.5 else f"{fallen:.1f} mm of rain"]


def test_rain_ahead_is_in_the_line_in_the_units_of_the_page(data: ShiftPageData):
    weather = data.summary.weather.with_columns(rain_mm=pl.lit(12.7), forecast_share=pl.lit(1.0))
    assert "12.7 mm of rain" in weather_words(weather, METRIC)
    assert "0.50 in of rain" in weather_words(weather, US)


def changes_its_order(advice: pl.DataFrame, mass: dict[str, float], causes: list[str]) -> bool:
    """Say by hand if prices of one cause, a third lower or a half higher, change the first four or spoil the first."""
    moves = [r for r in advice.iter_rows(named=True) if r["verdict"] == "move"]

    def worth(factors: dict[str, float], rows: list[dict[str, Any]]) -> float:
        return sum(r[f"gain_{c}_per_t"] * factors.get(c, 1) for r in rows for c in CAUSES)

    def first_four(factors: dict[str, float]) -> list[str]:
        total = {m: worth(factors, [r for r in moves if r["machine_id"] == m]) * mass.get(m, 0) for m in machines}
        return sorted(machines, key=lambda m: (-total[m], m))[:4]

    machines = sorted({r["machine_id"] for r in moves})
    usual = first_four({})
    first = [r for r in moves if r["machine_id"] == usual[0] and r["move_number"] == 1]
    cases = [{c: f} for c in causes for f in (2 / 3, 3 / 2)]
    return any(first_four(c) != usual or worth(c, first) <= 0 for c in cases)


def test_a_page_has_the_amber_strip_while_assumed_prices_would_change_its_order(repriced: Workspace, data, tmp_path):
    found = tables(repriced)
    season, names = repriced.season, shift_pages(data.shift)
    assert "beet_per_t" not in season.assumed
    assert changes_its_order(found["advice"], last_shift_mass(found), [c for c in CAUSES if c != "roots"])
    strip = re.search(r'<p class="strip".*?</p>', (repriced.out / names.first).read_text())
    assert strip is not None
    assert names.prices in strip[0]
    own = write_shift_page(data, replace(season, assumed=()), tmp_path)[0].read_text()
    assert 'class="strip"' not in own


def test_subjects_that_need_a_look_lead_to_their_evidence(crowded, data: ShiftPageData):
    looks, names = part(crowded, "looks"), shift_pages(data.shift)
    assert re.findall(r'href="(.*?)"', looks) == [
        f"{names.machines}#{machine_anchor('M01')}",
        names.received,
        names.loads,
    ]
    dirty, silent, untraced = re.findall(r"<li>(.*?)</li>", looks)
    row = crowded_page(data).summary.machines.row(by_predicate=pl.col("machine_id") == "M01", named=True)
    over = row["expected_hi95"] + 3 - row["expected_pct"]
    assert re.findall(r"[\d.]+", re.sub("<.*?>", " ", dirty)) == ["01", f"{over:.1f}", str(row["measured"])]
    assert ("few" in dirty) == (row["measured"] < 30)
    assert re.findall(r"\d+", re.sub("<.*?>", " ", silent)) == ["02", "41"]
    assert re.findall(r"\d+", re.sub("<.*?>", " ", untraced)) == ["3", "001"]


def test_yesterdays_advice_is_compared_on_the_page(crowded):
    made = [k for k in range(12) if k % 3 > 0]
    dirt = sum(8.0 + k / 10 for k in made) / len(made)
    shown = re.sub(r"<h2.*?</h2>|<.*?>", " ", part(crowded, "followed"), flags=re.DOTALL)
    numbers = [float(n) for n in re.findall(r"\d+(?:\.\d+)?", shown)]
    assert numbers == [len(made), 12, 12 - len(made), len(made), round(dirt, 1), 6 * len(made), 7.5]


def test_a_move_based_on_few_loads_is_pale_and_says_so(repriced: Workspace, data: ShiftPageData, tmp_path):
    first = data.summary.outcomes["machine_id"][0]
    few = pl.when(pl.col("machine_id") == first).then(29).otherwise(30)
    summary = replace(data.summary, advice=data.summary.advice.with_columns(n=few.cast(pl.Int64)))
    page = replace(data, summary=summary)
    with use_language("en-GB"):
        (rows,) = (b.rows for b in shift_page(page, repriced.season).walk() if isinstance(b, BarRows))
    assert [(r.title, r.is_pale, "few loads" in r.detail) for r in rows if r.is_pale or "few" in r.detail] == [
        (first, True, True)
    ]
    text = write_shift_page(page, repriced.season, tmp_path)[0].read_text()
    assert text.count('class="bar-row pale"') == 1


def test_the_tiles_always_rest_on_enough_loads_and_plots():
    assert min(RESPONSES[DIRT].min_rows, RESPONSES[ROOT_LOSS].min_rows) >= 30


def sizes(page: pypdf.PageObject) -> dict[str, float]:
    """Return the type size of each text of a sheet, in points."""
    found: dict[str, float] = {}

    def note(text: str, outer, matrix, _font, size: float) -> None:
        if text.strip():
            found[text.strip()] = size * abs(matrix[3] * outer[3])

    page.extract_text(visitor_text=note)
    return found


def test_paper_has_one_sheet_with_the_map_and_a_large_card_per_machine(repriced: Workspace, data, tmp_path):
    with use_language("en-GB"):
        page = shift_page(crowded_page(data), repriced.season)
        sheets = pypdf.PdfReader(write_pdf(page, tmp_path / "p.pdf")).pages
    assert len(sheets) == 1 + 12
    assert set(repriced.season.sites) <= set(sheets[0].extract_text().split())  # factories are on the map alone
    assert min(sizes(sheets[0]).values()) >= 6
    for card, sheet in zip(page.cab_cards, sheets[1:], strict=True):
        texts = sizes(sheet)
        assert card.moves
        assert all(texts[text] >= LARGE_PT for move in card.moves for text in move)
        assert texts[card.machine] >= LARGE_PT
    assert all("Engine off and key out" in sheet.extract_text() for sheet in sheets)


def test_a_full_sheet_of_paper_leaves_the_map_out(repriced: Workspace, data, tmp_path):
    with use_language("en-GB"):
        page = shift_page(crowded_page(data, machines=24), repriced.season)
        sheets = pypdf.PdfReader(write_pdf(replace(page, cab_cards=()), tmp_path / "p.pdf")).pages
    assert len(sheets) == 1
    assert not set(repriced.season.sites) & set(sheets[0].extract_text().split())


def test_links_to_the_evidence_come_last(repriced: Workspace, data: ShiftPageData):
    with use_language("en-GB"):
        page = shift_page(data, repriced.season)
    assert isinstance(page.sections[-1].blocks[0], PageLinks)
    assert {x.href for x in page.sections[-1].blocks[0].links} == set(vars(shift_pages(data.shift)).values()) - {
        shift_pages(data.shift).first
    }


def outcome_of(saving: pl.DataFrame | None, slope: str | None = None) -> OutcomeData:
    """Return an outcome with 131 of 214 moves made, and a slope with the given verdict."""
    total = {"moves": 220 if saving is not None else 0, "unknown": 6, "followed": 131}
    columns = {
        "part": pl.String,
        "value": pl.Float64,
        "lo95": pl.Float64,
        "hi95": pl.Float64,
        "verdict_code": pl.String,
    }
    slopes = [("slope", 0.18, -0.05, 0.41, slope)] if slope else []
    calibration = pl.DataFrame(slopes, schema=columns, orient="row")
    none = pl.DataFrame(schema=schema_of("realised_saving"))
    return OutcomeData(total, none if saving is None else saving, calibration, pl.DataFrame())


def attention_data(**parts: pl.DataFrame) -> ShiftSummaryData:
    none = pl.DataFrame()
    machines = pl.DataFrame(
        {
            "machine_id": ["M1", "M2", "M3"],
            "measured": [30, 9, 29],
            "observed_pct": [12.0, 9.0, 15.0],
            "observed_half": [1.0, 1.0, 1.0],
            "expected_pct": [8.0, 8.0, 8.0],
            "expected_hi95": [9.0, 9.0, 9.0],
        }
    )
    reasons = pl.DataFrame(
        {"machine_id": ["M1", "M3", "M3"], "source": ["field", "share_depth_cm", "x"], "points": [2.0, 4.0, 1.0]}
    )
    silent = pl.DataFrame({"machine_id": ["M8"], "silent_h": [40.0]})
    untraced = pl.DataFrame({"field_id": ["F9", "F2"], "loads": [3, 1]})
    given: dict[str, Any] = {
        "machines": machines,
        "reasons": reasons,
        "silent": silent,
        "untraced": untraced,
        "followed": none,
        "parts": none,
        "offsets": none,
        "outcome": outcome_of(None),
        **parts,
    }
    return ShiftSummaryData(None, none, ProductStatus(BasisCode.CURRENT), none, none, **given)


def lasting_offsets() -> pl.DataFrame:
    """Differences that last: a quarter of a step, the largest one of three steps, and one of no known setting."""
    gaps = {("M4", "ground_speed_kmh"): 0.1, ("M5", "share_depth_cm"): 1.5, ("M6", "forgotten"): 99.0}
    given = [{"machine_id": m, "setting": s, "gap": gap} for (m, s), gap in gaps.items()]
    rows = [{**r, "kind": OF_SET_POINT, "days": 12, "reason_code": "offset_lasts"} for r in given]
    return pl.DataFrame(rows, schema=schema_of("set_point_offset"))


@pytest.mark.parametrize(
    ("empty", "places"),
    [
        ((), ["m.html#M3", "r.html", "l.html"]),
        (("silent",), ["m.html#M3", "l.html", "m.html#set-points"]),
        (("silent", "untraced"), ["m.html#M3", "m.html#set-points", "m.html#M1"]),
        (("machines", "silent", "untraced"), ["m.html#set-points"]),
        (("machines", "silent", "untraced", "offsets"), None),
    ],
)
def test_at_most_three_subjects_are_shown_the_lasting_offset_after_the_other_kinds(catalogue, empty, places):
    data = attention_data(offsets=lasting_offsets())
    data = replace(data, **{name: getattr(data, name).clear() for name in empty})
    links = attention_links(data, catalogue, METRIC, machines="m.html", loads="l.html", received="r.html")
    found = None if links is None else [x.href.replace("#m-", "#") for x in links.links]
    assert found == places
    for offset in [x for x in (links.links if links is not None else ()) if x.href.endswith("#set-points")]:
        assert re.findall(r"M\d|\d+\.\d|\d+", f"{offset.text} {offset.about}") == ["M5", "1.5", "12"]


def test_at_most_three_subjects_need_a_look_one_of_each_kind_first(catalogue):
    found = attention(attention_data(), catalogue)
    assert [(a.code, a.subject, a.value, a.source, a.n) for a in found] == [
        ("dirty", "M3", 7.0, "share_depth_cm", 29),
        ("silent", "M8", 40.0, "", 0),
        ("untraced", "F9", 4, "", 0),
    ]
    quiet = attention_data(silent=attention_data().silent.clear(), untraced=attention_data().untraced.clear())
    assert [a.subject for a in attention(quiet, catalogue)] == ["M3", "M1"]


def test_followed_advice_counts_changes_and_compares_dirt_on_machines_that_made_all_of_them():
    rows = pl.DataFrame(
        [
            ("M1", 1, "followed", 4, 8.0, 9.0),
            ("M1", 2, "followed", 4, 8.0, 7.5),
            ("M2", 1, "followed", 2, 11.0, 10.0),
            ("M3", 1, "followed", 9, 5.0, 5.0),
            ("M3", 2, "opposite", 9, 5.0, 4.0),
            ("M4", 1, "unknown", 0, None, 6.0),
            ("M5", 1, "partly", 1, 5.0, 6.0),
            ("M5", 2, "not", 1, 5.0, 6.0),
        ],
        schema=["machine_id", "move_number", "uptake_code", "measured", "observed_pct", "advised_dirt_pct"],
        orient="row",
    )
    found = followed_advice(rows)
    assert found is not None
    assert (found.changes, found.made, found.machines, found.loads) == (7, 4, 2, 6)
    assert (found.partly, found.opposite, found.unknown) == (1, 1, 1)
    assert (found.dirt_pct, found.advised_pct) == pytest.approx((9.0, (4 * 7.5 + 2 * 10) / 6))
    assert followed_advice(rows.clear()) is None
    unknown = followed_advice(rows.filter(pl.col("machine_id") == "M4"))
    assert unknown is not None
    assert (unknown.changes, unknown.unknown) == (0, 1)


def saving_of(verdict: str) -> pl.DataFrame:
    row = {"group_code": "made", "moves": 90, "moves_made": 90, "shifts": 70, "machines": 9, "verdict_code": verdict}
    row |= {"promised_per_t": 0.33, "realised_per_t": 0.27, "lo95": 0.12, "hi95": 0.42}
    return pl.DataFrame([row], schema=schema_of("realised_saving"))


def figures(text: str) -> list[str]:
    return re.findall(r"\d+(?:\.\d+)?", text)


def test_the_saving_of_the_season_is_shown_in_the_units_of_the_page_once_it_is_known():
    kept = outcome_of(saving_of("as_promised"))
    shown = [figures(saving_words(kept, units)) for units in (METRIC, US)]
    assert shown[0] == ["131", "214", "0.33", "0.27", "0.12", "0.42", "70"]
    assert shown[1] == ["131", "214", "0.30", "0.24", "0.11", "0.38", "70"]
    assert figures(saving_words(outcome_of(saving_of("not_as_promised")), METRIC)) == ["131", "214"]
    assert saving_words(outcome_of(saving_of("too_few")), METRIC) == ""
    assert saving_words(outcome_of(None), METRIC) == ""


def test_advice_is_marked_only_while_it_promised_more_than_it_saved():
    assert outcome(outcome_of(None)).code == NO_MOVES
    assert outcome(outcome_of(saving_of("too_few"))).code == "too_few"
    for code in ("as_promised", "more_than_promised", "too_few"):
        assert warning_strip(outcome_of(saving_of(code), "reliable"), METRIC, "f.html") is None
    short = warning_strip(outcome_of(saving_of("not_as_promised")), METRIC, "f.html")
    assert short is not None
    assert figures(short.text) == ["0.33", "0.27"]
    assert short.link is not None
    assert short.link[1] == "f.html"
    steep = outcome_of(saving_of("as_promised"), "unreliable")
    assert outcome(steep).code == "unreliable"
    mark = warning_strip(steep, METRIC, "f.html")
    assert mark is not None
    assert figures(mark.text) == ["0.18"]
    assert figures(headline(steep, METRIC)) == ["131", "214", "0.33", "0.27", "0.12", "0.42"]
    assert figures(verdict_words(steep)) == ["0.18", "0.05", "0.41"]


@pytest.mark.parametrize(
    ("verdict", "slope", "links"),
    [("not_as_promised", None, 2), ("as_promised", "unreliable", 2), ("as_promised", "reliable", 1)],
)
def test_a_page_of_twelve_machines_with_the_outcome_of_the_season_keeps_its_budget(
    repriced: Workspace, data, tmp_path, verdict, slope, links
):
    page = crowded_page(data)
    page = replace(page, summary=replace(page.summary, outcome=outcome_of(saving_of(verdict), slope)))
    text = write_shift_page(page, repriced.season, tmp_path)[0].read_text("utf-8")
    assert len(words_of(text)) <= WORD_BUDGET
    assert text.count(f'href="{FOLLOWED_PAGE}"') == links
    is_marked = text.index('class="strip"') < text.index('class="tiles"')
    assert is_marked == (links == 2)
    assert f'href="{FOLLOWED_PAGE}"' in (tmp_path / shift_pages(data.shift).machines).read_text("utf-8")


def test_a_card_for_the_cab_has_the_value_to_set_and_names_sides_that_differ(data: ShiftPageData, catalogue):
    move = data.summary.advice.filter(verdict="move").sort("machine_id", "move_number").row(0, named=True)
    gap = catalogue[move["setting"]].step
    own = {"machine_id": move["machine_id"], "setting": move["setting"], "gap": gap, "days": 12, "bins": 900}

    def first_card(*kinds: str) -> tuple[tuple[str, str, str, str], str]:
        rows = [{**own, "kind": kind, "reason_code": "offset_lasts", "reason_args": "{}"} for kind in kinds]
        offsets = pl.DataFrame(rows, schema=schema_of("set_point_offset"))
        cards = cab_cards(replace(data.summary, offsets=offsets), catalogue, METRIC)
        (card,) = (c for c in cards if c.machine == move["machine_id"])
        return card.moves[0], card.note

    (command, before, after, step), plain = first_card()
    sides, sides_note = first_card(OF_SIDES)
    assert (sides, sides_note.startswith(plain)) == ((command, before, after, step), True)
    assert sides_note != plain
    (_, set_before, set_after, set_step), set_note = first_card(OF_SET_POINT, OF_SIDES)
    setting = catalogue[move["setting"]]
    assert set_after == setting_value(move["to_value"] - gap, setting, METRIC)
    assert set_before == setting_value(move["from_value"] - gap, setting, METRIC, unit=False)
    assert set_step == step
    assert len(set_note) > len(sides_note)
