"""District map in Chromium: fits every width and paper, is reached by keyboard and pointer, breaks no axe rule."""

from pathlib import Path

import pytest

from reports.page.formats import OutputFormats
from reports.page.html import write_page
from reports.page.links import loads_link
from reports.page.map_svg import district_svg
from reports.page.model import Page, Section
from reports.sections.district_map import district_map
from tests.unit.reports.chromium import (
    A4,
    WIDTHS,
    axe_violations,
    console_errors,
    evaluate,
    on_paper,
    opened,
    overflow,
    unfold,
)
from tests.unit.reports.districts import SHIFT, UNMEASURED, district, field, machine, many_fields
from tests.unit.reports.test_district_map import EVIL, METRIC, page_of

LINE = "return document.querySelector('.map-line').textContent"
ACTIVE = "return document.activeElement.querySelector('title')?.textContent"
STOPS = "return [...document.querySelectorAll('[role=option]')].filter(f => f.tabIndex === 0).length"
SITES = {"north": (50.1, 15.2)}


@pytest.fixture(scope="module")
def mapped(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a page with the maps of a shift and of a season, in which fields lead to a list."""
    rows = [*many_fields(30), field("Idle", 50.0, 15.65, **UNMEASURED)]
    machines = [machine("M1", 50.0, 15.0), machine("M2", 50.02, 15.3)]
    maps = tuple(
        district_map(district(rows, machines, SITES, shift), METRIC, title, lambda f: loads_link(field=f))
        for title, shift in (("Season", None), ("Shift", SHIFT))
    )
    anchor = Section("loads", "Loads", ())
    page = Page("Map", "now", "", None, (Section("map", "District", maps), anchor), ("footer",))
    return write_page(page, tmp_path_factory.mktemp("map") / "p.html")[0]


def press(browser, *keys: str) -> None:
    """Press keys as a person does."""
    codes = {
        "Enter": 13,
        "Tab": 9,
        "End": 35,
        "Home": 36,
        "ArrowLeft": 37,
        "ArrowUp": 38,
        "ArrowRight": 39,
        "ArrowDown": 40,
    }
    for key in keys:
        for kind in ("rawKeyDown", "keyUp"):
            values = {"type": kind, "key": key, "code": key, "windowsVirtualKeyCode": codes[key]}
            browser.execute_cdp_cmd("Input.dispatchKeyEvent", values)


@pytest.mark.parametrize("width", WIDTHS)
def test_the_map_fits_its_page_and_its_text_is_legible(browser, mapped, width):
    opened(browser, mapped, width)
    unfold(browser)
    assert overflow(browser) <= 0
    assert console_errors(browser) == []
    right, px = evaluate(
        browser,
        "const svg = document.querySelector('.map'), font = parseFloat(getComputedStyle(svg).fontSize);"
        "return [svg.getBoundingClientRect().right, font * svg.getBoundingClientRect().width / 4000]",
    )
    assert right <= width
    assert px >= 9.5
    small = evaluate(
        browser,
        "return Math.min(...[...document.querySelectorAll('[role=option]')].map(f => f.getBoundingClientRect().width))",
    )
    assert small >= 5


def test_the_printed_map_fits_a4(browser, mapped):
    with on_paper(browser):
        opened(browser, mapped, A4)
        assert overflow(browser) <= 0
        assert evaluate(browser, "return getComputedStyle(document.querySelector('.map-line')).display") == "none"


def test_no_rule_of_accessibility_is_broken_by_the_map(browser, mapped):
    opened(browser, mapped, 1280)
    unfold(browser)
    evaluate(browser, "document.querySelector('[role=option]').focus()")
    assert axe_violations(browser, is_thinned=False) == []


def test_a_focused_field_shows_its_line_and_arrows_move_on(browser, mapped):
    opened(browser, mapped, 1280)
    assert evaluate(browser, STOPS) == 2  # one stop of the tab key per map
    evaluate(
        browser, "[...document.querySelectorAll('[role=option]')].find(f => f.textContent.startsWith('F003')).focus()"
    )
    assert evaluate(browser, LINE).startswith(evaluate(browser, ACTIVE))
    press(browser, "ArrowRight")
    assert evaluate(browser, ACTIVE).startswith("F004")
    press(browser, "ArrowUp")
    assert evaluate(browser, ACTIVE).startswith("F024")  # north is up: rows of twenty from south to north
    press(browser, "ArrowLeft", "ArrowDown")
    assert evaluate(browser, ACTIVE).startswith("F003")
    assert evaluate(browser, LINE).startswith("F003")
    assert evaluate(browser, STOPS) == 2


def test_enter_leads_to_the_link_to_the_loads_of_the_field(browser, mapped):
    opened(browser, mapped, 1280)
    evaluate(
        browser, "[...document.querySelectorAll('[role=option]')].find(f => f.textContent.startsWith('F003')).focus()"
    )
    press(browser, "Enter")
    assert evaluate(browser, "return document.activeElement.getAttribute('href')") == loads_link(field="F003")
    evaluate(
        browser, "[...document.querySelectorAll('[role=option]')].find(f => f.textContent.startsWith('Idle')).focus()"
    )
    press(browser, "Enter")
    assert evaluate(browser, ACTIVE).startswith("Idle")  # without loads there is no link
    assert evaluate(browser, "return document.querySelectorAll('.map-line a').length") == 0


def test_a_tap_beside_a_small_field_chooses_the_nearest(browser, mapped):
    opened(browser, mapped, 390)
    evaluate(
        browser,
        "const f = [...document.querySelectorAll('[role=option]')].find(f => f.textContent.startsWith('F030'));"
        "const box = f.getBoundingClientRect();"
        "f.ownerSVGElement.dispatchEvent(new MouseEvent('click',"
        "  {bubbles: true, clientX: box.right + 3, clientY: box.top - 3}))",
    )
    assert evaluate(browser, LINE).startswith("F030")
    chosen = evaluate(browser, "return document.querySelectorAll('[aria-selected=true]').length")
    assert chosen == 1


def test_labels_name_every_machine_and_factory_without_overlap(browser, mapped):
    opened(browser, mapped, 390)
    names, meets = evaluate(
        browser,
        "const t = [...document.querySelector('.map').querySelectorAll('g g g text')];"
        "const b = t.map(e => e.getBoundingClientRect());"
        "const hit = (p, q) => p.left < q.right && q.left < p.right && p.top < q.bottom && q.top < p.bottom;"
        "return [t.map(e => e.textContent), b.filter((p, i) => b.some((q, j) => j > i && hit(p, q))).length]",
    )
    assert {"M1", "M2", "north"} <= set(names)
    assert meets == 0


def test_hostile_names_are_inert_on_the_map(browser, tmp_path):
    data = district([field(EVIL, 50.0, 15.0)], [machine(EVIL, 50.0, 15.0)], {EVIL: (50.01, 15.0)})
    path, *_ = write_page(page_of(district_map(data, METRIC, EVIL)), tmp_path / "p.html")
    opened(browser, path, 1280)
    evaluate(browser, "document.querySelector('[role=option]').focus()")
    assert evaluate(browser, LINE).startswith(EVIL)
    assert evaluate(browser, "return window.broken === undefined")
    assert console_errors(browser) == []


def test_hostile_names_are_escaped_in_page_and_picture(tmp_path):
    data = district([field(EVIL, 50.0, 15.0)], [machine(EVIL, 50.0, 15.0)], {EVIL: (50.01, 15.0)})
    block = district_map(data, METRIC, EVIL, lambda f: loads_link(field=f))
    path, paper = write_page(page_of(block), tmp_path / "p.html", OutputFormats(pdf=True))
    assert "<script>window" not in path.read_text()
    assert paper.stat().st_size > 0
    assert block.drawing is not None
    assert "<script" not in district_svg(block.drawing, EVIL, interactive=False)
