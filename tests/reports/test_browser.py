"""The shift page in headless Chromium with the network cut."""

import json
import shutil
from collections.abc import Iterator
from pathlib import Path

import polars as pl
import pytest
from selenium import webdriver
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.support.ui import WebDriverWait

from tests.program import Demo, taretrace
from transforms.warehouse import Warehouse

CHROMIUM, DRIVER = shutil.which("chromium"), shutil.which("chromedriver")
pytestmark = pytest.mark.skipif(not (CHROMIUM and DRIVER), reason="needs Debian's chromium and chromium-driver")
FLAGS = [
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--host-resolver-rules=MAP * ~NOTFOUND",
    "--proxy-server=127.0.0.1:9",
]
WIDTHS = [390, 768, 1280]


@pytest.fixture(scope="module")
def browser() -> Iterator[webdriver.Chrome]:
    options = webdriver.ChromeOptions()
    options.binary_location = str(CHROMIUM)
    for flag in FLAGS:
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(str(DRIVER)))
    yield driver
    driver.quit()


def opened(browser: webdriver.Chrome, page: Path, width: int) -> webdriver.Chrome:
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 600},
    )
    browser.get_log("browser")
    browser.get(page.as_uri())
    WebDriverWait(browser, 30).until(lambda b: b.execute_script("return document.body.dataset.charts") == "done")
    return browser


@pytest.fixture(scope="module")
def page(demo: Demo) -> Path:
    return demo.workspace.out / "shift.html"


@pytest.mark.parametrize("width", WIDTHS)
def test_no_console_error_and_no_overflow(browser, page, width):
    opened(browser, page, width)
    assert [e for e in browser.get_log("browser") if e["level"] in {"SEVERE", "WARNING"}] == []
    page_wide, seen, window = browser.execute_script(
        "const e = document.documentElement; return [e.scrollWidth, e.clientWidth, window.innerWidth]"
    )
    assert page_wide <= seen
    assert window == width


@pytest.mark.parametrize("width", WIDTHS)
def test_every_chart_is_drawn_with_marks_inside_its_frame(browser, page, width):
    opened(browser, page, width)
    charts = browser.execute_script(
        "return [...document.querySelectorAll('.chart')].map(c => {"
        "  const right = e => e ? e.getBoundingClientRect().right : 9999, svg = c.querySelector('svg');"
        "  return {drawn: c.dataset.drawn, label: c.getAttribute('aria-label'), over: right(svg) - right(c),"
        "    marks: c.querySelectorAll('svg .role-mark path, svg .role-mark rect, svg .role-mark line').length}})"
    )
    assert len(charts) == 9
    for chart in charts:
        assert chart["drawn"] == "yes"
        assert chart["label"]
        assert chart["marks"] > 1
        assert chart["over"] <= 1


def test_the_page_asks_the_network_for_nothing(browser, page):
    opened(browser, page, 1280)
    asked = [e["message"] for e in browser.get_log("performance") if '"Network.requestWillBeSent"' in e["message"]]
    assert not [m for m in asked if '"url":"http' in m]
    text = page.read_text()
    assert "<script src" not in text
    assert '<link rel="stylesheet"' not in text
    assert page.stat().st_size < 2_000_000


def test_the_first_screen_of_a_phone_says_what_to_change(browser, page):
    opened(browser, page, 390)
    seen = browser.execute_script(
        "const b = document.querySelector('.lead').getBoundingClientRect(); return [b.top, b.bottom]"
    )
    assert seen[1] < 900
    assert "moves on" in browser.execute_script("return document.querySelector('.lead').innerText")
    assert "key out" in browser.execute_script("return document.querySelector('.caution').innerText")


def test_print_fits_a4(browser, page):
    opened(browser, page, 1280)
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    opened(browser, page, 688)  # A4 less its margins at 96 dpi
    wide = browser.execute_script("return [document.documentElement.scrollWidth, document.documentElement.clientWidth]")
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
    assert wide[0] <= wide[1]


@pytest.fixture(scope="module")
def load_page(demo: Demo) -> Path:
    with Warehouse.to_look_at(demo.workspace.warehouse) as warehouse:
        grade = warehouse.table("load_trace_grade").filter(pl.col("trace_quality") > 0.8).sort("load_id")
    ran = taretrace("report", "load", grade["load_id"][200], demo.workspace.root, "--json")
    assert ran.code == 0, ran.err
    return Path(json.loads(ran.out)["load_page"])


@pytest.mark.parametrize("width", WIDTHS)
def test_the_page_of_a_load_is_drawn_whole_at_every_width(browser, load_page, width):
    opened(browser, load_page, width)
    assert [e for e in browser.get_log("browser") if e["level"] in {"SEVERE", "WARNING"}] == []
    wide, seen = browser.execute_script("const e = document.documentElement; return [e.scrollWidth, e.clientWidth]")
    assert wide <= seen
    marks = browser.execute_script(
        "return [...document.querySelectorAll('.chart')].map(c => c.querySelectorAll('svg .role-mark path').length)"
    )
    assert len(marks) == 2
    assert min(marks) > 100
    assert load_page.stat().st_size < 2_500_000


def test_the_map_is_coloured_by_the_setting_one_chooses(browser, load_page):
    opened(browser, load_page, 1280)
    colours = "return [...document.querySelectorAll('#chart-map svg .role-mark path')].map(p => p.getAttribute('fill'))"
    before = browser.execute_script(colours)
    browser.execute_script(
        "const s = document.querySelector('#chart-map select'); s.value = 'ground_speed_kmh';"
        "s.dispatchEvent(new Event('input')); s.dispatchEvent(new Event('change'));"
    )
    WebDriverWait(browser, 10).until(lambda b: b.execute_script(colours) != before)
