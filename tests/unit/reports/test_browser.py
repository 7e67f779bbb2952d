"""Every page in headless Chromium without network: complete at every width, drawn, reachable, inert to ids."""

import re
import shutil
from pathlib import Path

import polars as pl
import pytest

from flows import stages
from reports.pages.fleet import write_fleet
from reports.pages.fleet_data import load_fleet_page
from reports.pages.grower_data import grower_data
from reports.pages.grower_sheet import write_grower_sheet
from reports.pages.season import write_season, write_season_loads
from reports.pages.season_data import load_season_loads_page, load_season_page
from reports.pages.shift import write_shift_page
from reports.pages.shift_data import load_shift_page
from tests.support.program import Demo
from tests.unit.reports.chromium import (
    A4,
    ALIKE,
    CHARTS,
    WIDTHS,
    axe_violations,
    console_errors,
    evaluate,
    fold,
    on_paper,
    opened,
    overflow,
    resize,
    unfold,
)
from transforms.config.workspace import Workspace

EVIDENCE = ["shift-machines", "shift-loads", "shift-effects", "shift-received", "shift-prices"]
SEASON = ["season", "season-appendix", "season-loads"]
OTHERS = ["fleet", "followed", "guide", "card", "what-if", "sheet", "load", "grower", "index"]
PAGES = ["shift", *EVIDENCE, *SEASON, *OTHERS]
CHARTED = {
    "shift-machines": 20,
    "shift-loads": 5,
    "shift-effects": 2,
    "shift-received": 1,
    "season": 1,
    "season-appendix": 30,
    "fleet": 8,
    "followed": 4,
    "guide": 20,
    "load": 3,
}
"""Minimum number of charts per page of the demo season."""
HUGE = {"shift-machines", "season-appendix", "fleet"}
"""Pages with tens of thousands of marks and cells, all alike."""
QUICK = {"shift", "shift-machines", "season", "what-if", "grower"}
"""Pages of the fast tests: the first ones that people open, one with many charts, one with sliders, one by mail."""
ADVISING = [
    "shift",
    "shift-machines",
    "shift-prices",
    "season",
    "season-appendix",
    "guide",
    "card",
    "what-if",
    "sheet",
    "fleet",
    "followed",
    "grower",
]
WITH_RUN = [*EVIDENCE, "season-appendix", "guide", "fleet", "followed", "what-if", "load"]
"""Pages whose footer names the run."""


TOUCHING = """
const found = [];
for (const g of document.querySelectorAll('svg .role-axis-label')) {
  const shown = [...g.querySelectorAll('text')].filter(t => t.textContent && t.getAttribute('opacity') !== '0');
  const boxes = shown.map(t => [t.getBoundingClientRect(), t.textContent]).sort((a, b) => a[0].left - b[0].left);
  boxes.slice(1).forEach(([b, text], i) => {
    const [a, before] = boxes[i];
    if (Math.abs(a.top - b.top) < 1 && b.width && b.left - a.right < 3) found.push([before, text]);
  });
}
return found
"""
"""Script that returns neighbours of an axis with less than 3 pixels between them."""
AXIS_LABELS = "return [...document.querySelectorAll('svg .role-axis-label text')].map(t => t.textContent)"


def check_charts(browser, name: str) -> None:
    """Check that charts outside closed folds have marks, a finding, a label, a table and plain numbers on the axes."""
    charts = evaluate(browser, CHARTS)
    assert len(charts) >= CHARTED.get(name, 0)
    for chart in [c for c in charts if not c["closed"]]:
        assert chart["drawn"] == "yes"
        assert chart["label"], chart
        assert chart["marks"] > 1, chart
        assert chart["over"] <= 1, chart
        assert len(chart["finding"]) > 20, chart
        assert chart["table"] >= 1, chart
    assert evaluate(browser, TOUCHING) == []
    labels = evaluate(browser, AXIS_LABELS)
    assert [t for t in labels if re.search(r"\de[+−-]?\d|^[+−-]?0[kM]$", t)] == []


def check_links(browser, page: Path) -> None:
    """Check that every link of the open page leads to an element or a file."""
    lost = evaluate(
        browser,
        "return [...document.querySelectorAll('a[href]')].map(a => a.getAttribute('href'))"
        ".filter(h => h.startsWith('#') && !document.getElementById(h.slice(1).split('/')[0]))",
    )
    assert lost == []
    files = {h.split("#")[0] for h in evaluate(browser, "return [...document.links].map(a => a.getAttribute('href'))")}
    assert {f for f in files if f and not (page.parent / f).exists()} == set()


def check_texts(browser, name: str) -> None:
    """Check that the open page has the cautions and the run that it needs."""
    if name in ADVISING:
        assert "Engine off and key out" in evaluate(browser, "return document.body.innerText")
    if name in WITH_RUN:
        footer = evaluate(browser, "return document.querySelector('footer').innerText")
        parts = ("Fit of dirt tare: run ", "data ", "Rows in ", "mass weighed over mass lifted 1.")
        assert all(part in footer for part in parts)


@pytest.mark.parametrize("name", [n if n in QUICK else pytest.param(n, marks=pytest.mark.slow) for n in PAGES])
def test_a_page_is_complete_on_a_phone_at_a_desk_and_on_paper(browser, written, page_html, name):
    """In one visit: requests, console, overflow at each width and on A4, charts, links and rules of accessibility."""
    browser.get_log("performance")
    opened(browser, written[name], 390)
    seen = [e["message"] for e in browser.get_log("performance") if '"Network.requestWillBeSent"' in e["message"]]
    assert not [m for m in seen if '"url":"http' in m]
    assert "<script src" not in page_html[name]
    assert '<link rel="stylesheet"' not in page_html[name]
    assert written[name].stat().st_size < 2_000_000
    check_texts(browser, name)
    check_links(browser, written[name])
    assert overflow(browser) <= 0
    unfold(browser, but=ALIKE)
    check_charts(browser, name)
    for width in WIDTHS:
        resize(browser, width)
        assert overflow(browser) <= 0, width
    with on_paper(browser):
        assert overflow(browser) <= 0
        fold(browser)
        assert overflow(browser) <= 0
    assert console_errors(browser) == []
    resize(browser, 390)
    unfold(browser, but=f"{ALIKE}, details.numbers")  # tables behind charts have the structure of the others
    assert axe_violations(browser) == []


@pytest.mark.slow
@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("name", PAGES)
def test_a_page_opened_at_every_width_is_complete_and_breaks_no_rule(browser, written, name, width):
    """Opened again at each width, which is what a script or a chart that looks at the width sees."""
    opened(browser, written[name], width)
    assert overflow(browser) <= 0
    unfold(browser)
    assert overflow(browser) <= 0
    check_charts(browser, name)
    assert console_errors(browser) == []
    assert axe_violations(browser, is_thinned=name in HUGE) == []


@pytest.mark.slow
@pytest.mark.parametrize("name", PAGES)
def test_a_page_opened_on_paper_fits_a4_folded_and_open(browser, written, name):
    with on_paper(browser):
        opened(browser, written[name], A4)
        assert overflow(browser) <= 0
        unfold(browser)
        assert overflow(browser) <= 0


EVIL = "<script>window.broken=1</script>"
STORED = {"shift_course", "shift_pass", "load_fact"}


def copied(demo: Demo, folder: Path) -> Workspace:
    """Return a copy of the demo workspace with its tables but without its files."""
    for name in ("season.toml", "warehouse.duckdb"):
        shutil.copy(demo.workspace.root / name, folder / name)
    return Workspace(folder)


@pytest.mark.parametrize("part", ["shift", pytest.param("season", marks=pytest.mark.slow)])
def test_hostile_ids_are_inert_on_every_page(browser, demo, written, tmp_path, part):
    """Ids of machines, fields, growers and loads that contain scripts stay text on the real pages."""
    assert written["shift"].exists()  # writing the page stores the last shift in the demo's tables
    with stages.open_warehouse(copied(demo, tmp_path)) as warehouse:
        for name in (
            "advice",
            "benchmark",
            "setting_decision",
            "shift_course",
            "shift_pass",
            "load_fact",
            "load_why",
            "expected_load",
            "trial_wanted",
        ):
            rows = warehouse.table(name)
            ids = [
                c
                for c in ("machine_id", "field_id", "grower_id", "operator_id", "load_id", "subject_id", "site_id")
                if c in rows.columns
            ]
            rows = rows.with_columns(pl.col(c) + EVIL for c in ids)
            with warehouse.transaction():
                if name in STORED:
                    warehouse.store(name, rows)
                else:
                    warehouse.replace(name, rows)
        warehouse.build("load_class")
        season = demo.workspace.season
        if part == "shift":
            paths = write_shift_page(load_shift_page(warehouse, season), season, tmp_path)
            paths += write_grower_sheet(next(grower_data(warehouse, season)), season, tmp_path)
        else:
            paths = write_season(load_season_page(warehouse, season), season, tmp_path)
            paths.append(write_season_loads(load_season_loads_page(warehouse), season, tmp_path))
            paths += write_fleet(load_fleet_page(warehouse, season), season, tmp_path)
    for path in paths:
        assert EVIL not in path.read_text()
        opened(browser, path, 1280)
        unfold(browser)
        assert evaluate(browser, "return window.broken === undefined"), path
        assert console_errors(browser) == [], path
