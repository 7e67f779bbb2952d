"""Pages in headless Chromium as a person uses them: first screens, filters, links to loads, keyboard, printing."""

import base64
from pathlib import Path

import pytest
from selenium.webdriver.support.ui import WebDriverWait

from flows import stages
from reports.pages.shift import write_shift_page
from reports.pages.shift_data import load_shift_page
from tests.support.program import Demo
from tests.unit.reports.chromium import choose, evaluate, opened
from tests.unit.reports.crowded_shift import crowded_page


@pytest.fixture(scope="module")
def full(demo: Demo, written, tmp_path_factory) -> Path:
    """The first page of the demo's last shift with every part on it."""
    assert written["shift"].exists()  # writing the page stores the last shift in the demo's tables
    season = demo.workspace.season
    with stages.open_warehouse(demo.workspace) as warehouse:
        data = crowded_page(load_shift_page(warehouse, season))
    return write_shift_page(data, season, tmp_path_factory.mktemp("full"))[0]


ORDER = [
    ".when",
    "h1",
    ".lead",
    ".tile",
    ".strip",
    ".bar-row",
    "#looks",
    "#followed",
    "#cautions",
    "#map svg",
    "#evidence",
]
AT_TIMES = {".strip", "#looks", "#followed"}
"""Parts of the first page that a shift may lack."""


@pytest.mark.parametrize("name", ["demo", "full"])
def test_the_first_screen_of_a_phone_answers_in_order(browser, written, full, name):
    opened(browser, full if name == "full" else written["shift"], 390)
    order = [part for part in ORDER if name == "full" or part not in AT_TIMES]
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


FILTERS = {"site": 2, "wetness": 3, "soil": 4}
"""Filter -> column of the list of loads that it narrows."""


def test_factory_and_conditions_narrow_cards_and_loads_alike(browser, written):
    opened(browser, written["shift-machines"], 1280)
    values = {}
    for mark in FILTERS:
        choice = f"document.querySelector('.filters select[data-mark={mark}]')"
        values[mark] = evaluate(browser, f"return [...{choice}.options].map(o => o.value).filter(Boolean)")
        assert len(values[mark]) == 3
        cards = 0
        for value in values[mark]:
            choose(browser, mark, value)
            visible = "[...document.querySelectorAll('#moves .card')].filter(c => !c.hidden)"
            seen = evaluate(browser, f"return {visible}.map(c => c.dataset.{mark})")
            assert all(value in s.split("|") for s in seen)
            cards += len(seen)
        assert cards >= 10
        choose(browser, mark, "")
    opened(browser, written["shift-loads"], 1280)
    for mark, column in FILTERS.items():
        for value in values[mark]:
            choose(browser, mark, value)
            rows = "[...document.querySelectorAll('#loads-list tbody tr')]"
            listed = evaluate(browser, f"return {rows}.map(r => r.children[{column}].textContent)")
            assert set(listed) <= {value}
        choose(browser, mark, "")


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
