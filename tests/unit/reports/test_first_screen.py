"""First screen of the shift page on a phone: what a manager sees at half past five without a touch."""

import base64
import io
from dataclasses import fields, replace
from pathlib import Path

import pypdf
import pytest

from flows import stages
from reports.pages.shift import write_shift_page
from reports.pages.shift_data import ShiftPageData, load_shift_page
from tests.unit.reports.chromium import evaluate, opened
from tests.unit.reports.crowded_shift import crowded_page
from tests.unit.reports.test_shift_parts import outcome_of, saving_of
from transforms.config.workspace import Prices, Workspace

PHONE = (390, 844)
ROWS = "return [...document.querySelectorAll('.bar-row')].map(r => r.getBoundingClientRect().bottom + scrollY)"
LINES = """
const range = document.createRange();
range.selectNodeContents(document.querySelector('.when'));
return new Set([...range.getClientRects()].map(r => Math.round(r.top))).size
"""
TILES = """
const colour = e => getComputedStyle(e).color;
return [...document.querySelectorAll('.tile')].map(t => {
  const word = t.querySelector('.word'), arrow = word.querySelector('[aria-hidden]');
  return {arrow: arrow && arrow.textContent, words: word.textContent.replace(/[▲▼]/g, '').trim(),
    isColoured: colour(word) !== colour(t.querySelector('.label')) && colour(word) !== colour(document.body),
    bottom: t.getBoundingClientRect().bottom + scrollY}})
"""


@pytest.fixture(scope="module")
def data(advised: Workspace) -> ShiftPageData:
    stages.compute_shift_timeline(advised)
    with stages.open_warehouse(advised) as warehouse:
        return load_shift_page(warehouse, advised.season)


def page_of(data: ShiftPageData, workspace: Workspace, out: Path, locale: str) -> Path:
    """Write the page of twelve machines in a language, with rain ahead and the strips on prices and kept promises."""
    page = crowded_page(data)
    weather = page.summary.weather.with_columns(rain_mm=12.7, forecast_share=1.0)
    summary = replace(page.summary, weather=weather, outcome=outcome_of(saving_of("not_as_promised")))
    season = replace(workspace.season, locale=locale, assumed=tuple(f.name for f in fields(Prices)))
    path = write_shift_page(replace(page, summary=summary), season, out)[0]
    assert path.read_text("utf-8").count('class="strip"') == 2
    return path


def test_the_browser_prints_the_folded_machines_too(browser, advised, data, tmp_path):
    opened(browser, page_of(data, advised, tmp_path, "en-GB"), PHONE[0])
    printed = base64.b64decode(browser.execute_cdp_cmd("Page.printToPDF", {})["data"])
    text = "".join(p.extract_text() for p in pypdf.PdfReader(io.BytesIO(printed)).pages)
    assert all(f"M{k:02}" in text for k in range(1, 13))
    assert evaluate(browser, "return document.querySelectorAll('details[open]').length") == 0


@pytest.mark.parametrize("locale", ["en-GB", "de-DE"])
def test_four_machines_and_the_date_line_fit_the_first_screen(browser, advised, data, tmp_path, locale):
    opened(browser, page_of(data, advised, tmp_path, locale), PHONE[0])
    visible = [bottom for bottom in evaluate(browser, ROWS) if bottom > 0]
    assert [b <= PHONE[1] for b in visible[:4]] == [True] * 4, visible
    assert evaluate(browser, LINES) == 1


def test_each_tile_has_an_arrow_a_colour_and_a_word(browser, advised, data, tmp_path):
    opened(browser, page_of(data, advised, tmp_path, "en-GB"), PHONE[0])
    tiles = evaluate(browser, TILES)
    assert len(tiles) == 2
    for tile in tiles:
        assert (tile["arrow"] is None) == (tile["words"] == "unchanged")
        assert tile["words"]
        assert tile["isColoured"] == (tile["arrow"] is not None)
        assert tile["bottom"] <= PHONE[1]
    assert {t["arrow"] for t in tiles} & {"▲", "▼"}
