"""Every page in headless Chromium without network: complete at every width, drawn, reachable, inert to ids."""

import base64
import shutil
from importlib.resources import files
from pathlib import Path

import polars as pl
import pytest
from selenium.webdriver.support.ui import WebDriverWait

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
    choose,
    console_errors,
    evaluate,
    opened,
    overflow,
    unfold,
)
from transforms.config.workspace import Workspace

EVIDENCE = ["shift-machines", "shift-loads", "shift-effects", "shift-received", "shift-prices"]
SEASON = ["season", "season-appendix", "season-loads"]
OTHERS = ["fleet", "guide", "card", "what-if", "sheet", "load", "grower", "index"]
PAGES = ["shift", *EVIDENCE, *SEASON, *OTHERS]
CHARTED = {
    "shift-machines": 20,
    "shift-loads": 5,
    "shift-effects": 2,
    "shift-received": 1,
    "season": 1,
    "season-appendix": 30,
    "fleet": 8,
    "guide": 20,
    "load": 3,
}
"""Minimum number of charts per page of the demo season."""
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
    "grower",
]
AXE = files("axe_core_python").joinpath("axe.min.js").read_text("utf-8")


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("name", PAGES)
def test_a_page_is_complete_at_every_width_folded_and_open(browser, written, name, width):
    """No console errors, no overflow; every chart has marks, a finding, a label and a table."""
    opened(browser, written[name], width)
    assert overflow(browser) <= 0
    # At the middle width, unfolding one fold of machines or classes is enough: the others have the same structure.
    unfold(browser, but=ALIKE if width == 768 else "#nothing")
    assert overflow(browser) <= 0
    assert console_errors(browser) == []
    if width == 768:
        return
    charts = evaluate(browser, CHARTS)
    assert len(charts) >= CHARTED.get(name, 0)
    for chart in charts:
        assert chart["drawn"] == "yes"
        assert chart["label"], chart
        assert chart["marks"] > 1, chart
        assert chart["over"] <= 1, chart
        assert len(chart["finding"]) > 20, chart
        assert chart["table"] >= 1, chart


@pytest.mark.parametrize("name", PAGES)
def test_print_fits_a4(browser, written, name):
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    try:
        opened(browser, written[name], A4)
        assert overflow(browser) <= 0
    finally:
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})


@pytest.mark.parametrize("name", PAGES)
def test_no_rule_of_accessibility_is_broken(browser, written, name):
    opened(browser, written[name], 1280)
    unfold(browser, but=f"{ALIKE}, details.numbers")  # tables behind charts have the same structure as the open ones
    browser.execute_script(AXE)
    rules = {"runOnly": ["wcag2a", "wcag2aa", "wcag21aa", "best-practice"], "resultTypes": ["violations"]}
    found = browser.execute_async_script(
        "const done = arguments[arguments.length - 1];"
        "axe.run({exclude: [['svg'], ['details:not([open]) > :not(summary)']]}, arguments[0])"
        ".then(r => done(r.violations.map(v => [v.id, v.nodes.length,"
        "v.nodes[0].html.slice(0, 160), v.nodes[0].failureSummary])))",
        rules,
    )
    assert found == []


WITH_RUN = [*EVIDENCE, "season-appendix", "guide", "fleet", "what-if", "load"]
"""Pages whose footer names the run."""


@pytest.mark.parametrize("name", PAGES)
def test_a_page_needs_no_network_leads_somewhere_and_names_its_cautions_and_run(browser, written, page_html, name):
    opened(browser, written[name], 1280)
    seen = [e["message"] for e in browser.get_log("performance") if '"Network.requestWillBeSent"' in e["message"]]
    assert not [m for m in seen if '"url":"http' in m]
    assert "<script src" not in page_html[name]
    assert '<link rel="stylesheet"' not in page_html[name]
    assert written[name].stat().st_size < 2_000_000
    if name in ADVISING:
        assert "Engine off and key out" in evaluate(browser, "return document.body.innerText")
    if name in WITH_RUN:
        footer = evaluate(browser, "return document.querySelector('footer').innerText")
        parts = ("Fit of dirt tare: run ", "data ", "Rows in ", "mass weighed over mass lifted 1.")
        assert all(part in footer for part in parts)
    lost = evaluate(
        browser,
        "return [...document.querySelectorAll('a[href]')].map(a => a.getAttribute('href'))"
        ".filter(h => h.startsWith('#') && !document.getElementById(h.slice(1).split('/')[0]))",
    )
    assert lost == []
    files = {h.split("#")[0] for h in evaluate(browser, "return [...document.links].map(a => a.getAttribute('href'))")}
    assert {f for f in files if f and not (written[name].parent / f).exists()} == set()


def test_the_first_screen_of_a_phone_answers_in_order(browser, written):
    opened(browser, written["shift"], 390)
    order = [".when", "h1", ".lead", ".tile", ".bar-row"]
    tops = [evaluate(browser, f"return document.querySelector('{e}').getBoundingClientRect().top") for e in order]
    assert tops == sorted(tops)
    rows = evaluate(
        browser,
        "return [...document.querySelectorAll('ol.bars')][0].querySelectorAll('li')"
        ".length && [...document.querySelectorAll('ol.bars')[0].children].map(r => r.getBoundingClientRect().bottom)",
    )
    assert len(rows) == 4
    assert sum(bottom <= 844 for bottom in rows) >= 3
    assert evaluate(browser, "return document.documentElement.scrollHeight") <= 3 * 844
    size = "return parseFloat(getComputedStyle(document.querySelector('{}')).fontSize)"
    assert evaluate(browser, size.format(".bar-row .values")) > evaluate(browser, size.format(".bar-row .action"))


def test_filters_narrow_cards_rows_folds_charts_and_loads(browser, written):
    opened(browser, written["shift-machines"], 1280)
    count = "return [...document.querySelectorAll('#moves .card')].filter(c => !c.hidden).length"
    every = evaluate(browser, count)
    dots = "return document.querySelectorAll('#chart-machines-dirt .mark-symbol.role-mark path').length"
    assert every >= 10
    assert evaluate(browser, dots) > 5
    choose(browser, "machine", "M06")
    assert evaluate(browser, count) == 1
    WebDriverWait(browser, 10).until(lambda b: b.execute_script(dots) == 1)
    assert "1 of" in evaluate(browser, "return document.querySelector('.filters .shown').textContent")
    evaluate(browser, "document.querySelector('.filters button[type=reset]').click()")
    assert evaluate(browser, count) == every
    opened(browser, written["shift-loads"], 1280)
    choose(browser, "machine", "M06")
    machines = evaluate(
        browser,
        "return [...document.querySelectorAll('#loads-list tbody tr')].map(r => r.children[1].textContent)",
    )
    assert set(machines) == {"M06"}


@pytest.mark.parametrize(("mark", "column"), [("site", 2), ("wetness", 3), ("soil", 4)])
def test_factory_and_conditions_narrow_cards_and_loads_alike(browser, written, mark, column):
    opened(browser, written["shift-machines"], 1280)
    choice = f"document.querySelector('.filters select[data-mark={mark}]')"
    values = evaluate(browser, f"return [...{choice}.options].map(o => o.value).filter(Boolean)")
    assert len(values) == 3
    cards = {}
    for value in values:
        choose(browser, mark, value)
        seen = evaluate(
            browser,
            f"return [...document.querySelectorAll('#moves .card')].filter(c => !c.hidden).map(c => c.dataset.{mark})",
        )
        assert all(value in s.split("|") for s in seen)
        cards[value] = len(seen)
    opened(browser, written["shift-loads"], 1280)
    for value in values:
        choose(browser, mark, value)
        listed = evaluate(
            browser,
            f"return [...document.querySelectorAll('#loads-list tbody tr')].map(r => r.children[{column}].textContent)",
        )
        assert set(listed) <= {value}
    assert sum(cards.values()) >= 10


def test_a_filter_of_conditions_narrows_the_effects_drawn(browser, written):
    opened(browser, written["season-appendix"], 1280)
    dots = "return document.querySelectorAll('#chart-effects-dirt-chart .mark-symbol.role-mark path').length"
    every = evaluate(browser, dots)
    choose(browser, "wetness", "dry")
    WebDriverWait(browser, 10).until(lambda b: 0 < b.execute_script(dots) < every)


def test_a_number_leads_to_the_loads_behind_it(browser, written):
    opened(browser, written["shift-machines"], 1280)
    link = "document.querySelector('#machine-table tr[data-machine=M06] td a')"
    number = int(evaluate(browser, f"return {link}.textContent"))
    target, mark = evaluate(browser, f"return {link}.getAttribute('href')").split("#")
    assert target == written["shift-loads"].name
    opened(browser, written["shift-loads"], 1280, f"#{mark}")
    listed = "return document.querySelectorAll('#loads-list tbody tr').length"
    WebDriverWait(browser, 10).until(lambda b: b.execute_script(listed) == number)
    assert f"{number} of {number} loads shown" in evaluate(
        browser, "return document.querySelector('.loads-count').textContent"
    )


def test_a_number_of_the_season_opens_its_loads_in_the_list(browser, written):
    opened(browser, written["season"], 1280)
    n, href = evaluate(browser, "const a = document.querySelector('#classes td a'); return [a.textContent, a.href]")
    assert "season-loads.html#loads/wetness=dry" in href
    opened(browser, written["season-loads"], 1280, "#" + href.split("#")[1])
    text = evaluate(browser, "return document.querySelector('.loads-count').textContent")
    assert text.startswith("100 of ")
    listed = int(text.split(" of ")[1].split(" ")[0].replace(",", ""))
    assert listed >= int(n.removeprefix("n = ").replace(",", ""))  # the list includes loads that are not measured
    classes = evaluate(browser, "return [...document.querySelectorAll('tbody tr')].map(r => r.children[3].textContent)")
    assert set(classes) == {"dry"}
    evaluate(browser, "document.querySelector('.more').click()")
    assert evaluate(browser, "return document.querySelectorAll('tbody tr').length") == 200


def test_filters_and_summaries_are_reached_by_the_keyboard(browser, written):
    opened(browser, written["shift-machines"], 1280)
    reached = evaluate(
        browser,
        "return [...document.querySelectorAll('a[href], summary, select, button, input, [tabindex=\"0\"]')]"
        ".filter(e => e.tabIndex < 0 && !e.hidden).length",
    )
    assert reached == 0
    skip = evaluate(browser, "const a = document.querySelector('a'); a.focus(); return [a.className, a.hash]")
    assert skip == ["skip", "#main"]


def test_the_map_is_coloured_by_the_setting_one_chooses(browser, written):
    opened(browser, written["load"], 1280)
    colours = "return [...document.querySelectorAll('#chart-map svg .role-mark path')].map(p => p.getAttribute('fill'))"
    before = evaluate(browser, colours)
    evaluate(
        browser,
        "const s = document.querySelector('#chart-map select'); s.value = 'ground_speed_kmh';"
        "s.dispatchEvent(new Event('input')); s.dispatchEvent(new Event('change'));",
    )
    WebDriverWait(browser, 10).until(lambda b: b.execute_script(colours) != before)


def test_a_card_prints_on_one_sheet(browser, written):
    opened(browser, written["card"], 1280)
    printed = browser.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True})
    assert base64.b64decode(printed["data"]).count(b"/Type /Page\n") == 1


EVIL = "<script>window.broken=1</script>"
STORED = {"shift_course", "shift_pass", "load_fact"}


def copied(demo: Demo, folder: Path) -> Workspace:
    """Return a copy of the demo workspace with its tables but without its files."""
    for name in ("season.toml", "warehouse.duckdb"):
        shutil.copy(demo.workspace.root / name, folder / name)
    return Workspace(folder)


def test_hostile_ids_are_inert_on_every_page(browser, demo, written, tmp_path):
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
        paths = [
            *write_shift_page(load_shift_page(warehouse, season), season, tmp_path),
            *write_season(load_season_page(warehouse, season), season, tmp_path),
            write_season_loads(load_season_loads_page(warehouse), season, tmp_path),
            *write_fleet(load_fleet_page(warehouse, season), season, tmp_path),
        ]
        paths += write_grower_sheet(next(grower_data(warehouse, season)), season, tmp_path)
    for path in paths:
        assert EVIL not in path.read_text()
        opened(browser, path, 1280)
        unfold(browser)
        assert evaluate(browser, "return window.broken === undefined"), path
        assert console_errors(browser) == [], path
