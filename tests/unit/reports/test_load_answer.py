"""Heading, main reason and tiles of the load page, recomputed from the warehouse's tables."""

import html
import re
from dataclasses import replace
from pathlib import Path

import polars as pl
import pytest

from flows import stages
from flows.stages import pages
from reports.charts.load_contributions import load_contributions
from reports.language.labels import SOURCE_LABELS, source_label
from reports.language.translate import use_language
from reports.page.model import Figure, Page
from reports.page.pdf import picture
from reports.page.summary import Strip, Tiles
from reports.pages.load import load_page, write_load_page
from reports.pages.load_data import LoadPageData, load_load_page
from reports.sections.load_cause import excess, is_as_expected, load_title, main_reason, trace_strip
from tests.support.program import Demo
from tests.unit.reports.chromium import console_errors, evaluate, opened, overflow
from tests.validation.seasons import QUIET
from transforms.config.settings_catalogue import load_catalogue
from transforms.model.specification import MIN_TRACE_QUALITY
from transforms.operations.load_dirt import SETTINGS_SCHEMA, SOURCES_SCHEMA, LoadDirt
from transforms.storage.lake import Lake

EVIL = "<script>window.broken=1</script>"
CATALOGUE = load_catalogue()


@pytest.fixture(scope="module")
def extremes(demo: Demo) -> dict[str, LoadPageData]:
    """Return the loads farthest above and below their expected values, and one close to it."""
    with stages.open_warehouse(demo.workspace) as warehouse:
        loads = warehouse.table("expected_load").with_columns(over=pl.col("observed_pct") - pl.col("expected_pct"))
        ids = {
            "above": loads.sort("over")["load_id"][-1],
            "below": loads.sort("over")["load_id"][0],
            "near": loads.sort(pl.col("over").abs())["load_id"][0],
        }
        lake, catalogue = Lake(demo.workspace.lake), demo.workspace.season.catalogue
        return {name: load_load_page(i, warehouse, lake, catalogue) for name, i in ids.items()}


def numbers(text: str) -> list[float]:
    return [float(n) for n in re.findall(r"\d+\.\d", text)]


def tiles_of(page: Page) -> Tiles:
    return next(b for b in page.walk() if isinstance(b, Tiles))


@pytest.mark.parametrize("name", ["above", "below"])
def test_the_heading_is_the_load_s_row_in_the_tables(demo: Demo, extremes, name):
    data = extremes[name]
    page = load_page(data, demo.workspace.season)
    load_id = data.picture.load["load_id"][0]
    with stages.open_warehouse(demo.workspace) as warehouse:
        fact = warehouse.table("load_fact").row(by_predicate=pl.col("load_id") == load_id, named=True)
        expected = warehouse.table("expected_load").row(by_predicate=pl.col("load_id") == load_id, named=True)
    observed, mean = fact["dirt_tare_pct"], expected["expected_pct"]
    assert numbers(page.title.split(": ")[1]) == pytest.approx([observed, abs(observed - mean)], abs=0.1001)
    assert numbers(page.title)[0] == round(observed, 1)
    assert ("more" if observed > mean else "less") in page.title
    first, second, _ = tiles_of(page).tiles
    assert (numbers(first.value), numbers(second.value)) == ([round(observed, 1)], [round(mean, 1)])
    assert numbers(second.word) == [round(expected["lo95"], 1), round(expected["hi95"], 1)]
    assert first.tone == ("worse" if observed > mean else "better")


def test_a_load_in_its_likely_range_is_as_expected(demo: Demo, extremes):
    dirt = extremes["near"].dirt
    page = load_page(extremes["near"], demo.workspace.season)
    assert dirt.lo95 <= dirt.observed_pct <= dirt.hi95
    assert "about as expected" in page.title
    assert tiles_of(page).tiles[0].tone == "plain"


@pytest.mark.parametrize("name", ["above", "below", "near"])
def test_the_bars_add_up_to_the_heading(demo: Demo, extremes, name):
    dirt = extremes[name].dirt
    figure = next(b for b in load_page(extremes[name], demo.workspace.season).walk() if isinstance(b, Figure))
    assert figure.id == "why"
    assert figure.chart is not None
    drawn = sum(r["points"] for r in figure.chart.datasets["rows"])
    assert drawn == pytest.approx(dirt.observed_pct - dirt.expected_pct, abs=0.01)


def dirt_of(observed: float | None, expected: float | None, sources=(), settings=()) -> LoadDirt:
    lo, hi = (None, None) if expected is None else (expected - 1, expected + 1)
    parts = pl.DataFrame(list(sources), schema=SOURCES_SCHEMA, orient="row")
    return LoadDirt(
        observed, expected, lo, hi, parts, pl.DataFrame(list(settings), schema=SETTINGS_SCHEMA, orient="row")
    )


DEPTH = ("share_depth_cm", "setting", 2.0)
NOISE = ("lab and unexplained", "unexplained", 3.0)
FASTER = ("ground_speed_kmh", "setting", -2.5)


@pytest.mark.parametrize(("value", "way"), [(9.0, "deeper"), (6.0, "shallower"), (7.1, None)])
def test_the_main_reason_names_the_setting_and_its_direction(value, way):
    dirt = dirt_of(12.0, 10.0, [DEPTH], [("share_depth_cm", value, 7.0)])
    text = main_reason(dirt, CATALOGUE)
    assert "share depth" in text
    assert "+2.0" in text
    assert (f"{way} than usual" in text) if way else ("usual" not in text)


def test_the_main_reason_has_the_sign_of_the_difference():
    more = main_reason(dirt_of(12.5, 10.0, [NOISE, FASTER, DEPTH]), CATALOGUE)
    assert more.index("+3.0") < more.index("+2.0")
    assert "ground speed" not in more
    less = main_reason(dirt_of(7.5, 10.0, [NOISE, FASTER, DEPTH]), CATALOGUE)
    assert "ground speed" in less
    assert "share depth" not in less


@pytest.mark.parametrize(
    ("observed", "expected", "as_expected"), [(10.9, 10.0, True), (11.1, 10.0, False), (None, 10.0, False)]
)
def test_a_load_is_as_expected_inside_the_likely_range(observed, expected, as_expected):
    assert is_as_expected(dirt_of(observed, expected)) == as_expected


@pytest.mark.parametrize("locale", ["en-GB", "de-DE", "fr-FR", "pl-PL"])
def test_long_names_of_causes_wrap_and_none_is_cut(locale):
    with use_language(locale):
        names = [source_label(s, CATALOGUE) for s in (*SOURCE_LABELS, *CATALOGUE)]
        for few in (names[i : i + 7] for i in range(0, len(names), 7)):
            svg = picture(load_contributions(pl.DataFrame({"label": few, "points": [1.0] * len(few)})), 330).decode()
            assert "…" not in svg
            drawn = " ".join(html.unescape(t) for t in re.findall(r"<(?:text|tspan)[^>]*>([^<]+)<", svg))
            assert [n for n in few if n not in drawn] == []


def test_loads_without_tare_or_expected_value_are_shown_without_a_difference(demo: Demo, extremes):
    for dirt in (dirt_of(None, None), dirt_of(12.34, None)):
        assert excess(dirt) is None
        page = load_page(replace(extremes["above"], dirt=dirt), demo.workspace.season)
        assert "expected" not in page.title
        assert [s.id for s in page.sections] == ["answer", "machine-time", "passes-map"]
        assert page.lead
    assert "12.3 %" in load_title("T1", dirt_of(12.34, None))


def test_a_poor_trace_is_an_amber_strip():
    assert trace_strip(0.9) is None
    poor, lost = trace_strip(0.5), trace_strip(MIN_TRACE_QUALITY - 0.01)
    assert isinstance(poor, Strip)
    assert isinstance(lost, Strip)
    assert poor.text != lost.text


def test_the_number_of_the_trace_is_in_the_fold_only(demo: Demo, extremes, browser, tmp_path: Path):
    data = extremes["above"]
    quality = f"{data.picture.load['trace_quality'][0]:.2f}"
    opened(browser, write_load_page(data, demo.workspace.season, tmp_path)[0], 390)
    text = evaluate(browser, "return document.querySelector('main').innerText")
    assert f"Trace quality {quality}" not in text
    evaluate(browser, "for (const d of document.querySelectorAll('details')) d.open = true")
    assert f"Trace quality {quality}" in evaluate(browser, "return document.querySelector('main').innerText")


def test_the_first_screen_of_a_phone_shows_dirt_reason_and_first_bars(demo: Demo, extremes, browser, tmp_path: Path):
    opened(browser, write_load_page(extremes["above"], demo.workspace.season, tmp_path)[0], 390)
    bottom = "return document.querySelector(arguments[0]).getBoundingClientRect().bottom"
    assert evaluate(browser, bottom, ".lead") < 300
    assert evaluate(browser, bottom, ".tiles") < 560
    assert evaluate(browser, "return document.querySelector('#why').getBoundingClientRect().top") < 700


def test_hostile_ids_are_text(demo: Demo, extremes, browser, tmp_path: Path):
    data = extremes["above"]
    ids = [pl.lit(EVIL).alias(c) for c in ("load_id", "field_id", "machine_id", "site_id")]
    hostile = replace(data, picture=replace(data.picture, load=data.picture.load.with_columns(ids)))
    page = write_load_page(hostile, demo.workspace.season, tmp_path)[0]
    assert EVIL not in page.read_text("utf-8")
    for width in (390, 1280):
        opened(browser, page, width)
        assert evaluate(browser, "return window.broken === undefined")
        assert EVIL in evaluate(browser, "return document.querySelector('h1').innerText")
        assert console_errors(browser) == []
        assert overflow(browser) <= 0


def test_the_page_is_printed_by_the_command(demo: Demo, extremes):
    load_id = extremes["above"].picture.load["load_id"][0]
    page = pages.publish_load_page(demo.workspace, load_id, None, QUIET)[0].read_text("utf-8")
    assert load_page(extremes["above"], demo.workspace.season).title in page


def test_loads_whose_ids_differ_only_in_marks_have_pages_of_their_own(extremes, demo: Demo, tmp_path):
    paths = []
    for load_id in ("A/1", "A_1", "a_1"):
        picture = replace(
            extremes["near"].picture, load=extremes["near"].picture.load.with_columns(load_id=pl.lit(load_id))
        )
        paths += write_load_page(replace(extremes["near"], picture=picture), demo.workspace.season, tmp_path)
    assert len({path.name.lower() for path in paths}) == 3
    assert all(path.is_file() and path.parent == tmp_path for path in paths)
