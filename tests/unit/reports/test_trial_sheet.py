"""Trial sheets: one sheet per day, continued on its back, and their print in Chromium."""

import base64
import datetime as dt
import io
import re
from dataclasses import replace
from pathlib import Path

import pypdf
import pytest

from reports.pages.trial_sheet import LINES_ON_BACK, LINES_ON_FRONT, trial_sheets, write_trial_sheet
from tests.unit.reports.chromium import console_errors, evaluate, opened, overflow
from transforms.config.workspace import Season, init_workspace
from transforms.trial.plan import Trial, draw_order

LINE_MM = 10
PX_PER_MM = 96 / 25.4
EVIL = "<script>window.broken=1</script>"
LONG = "Rosewood & Sons <b>" * 5


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Season:
    return init_workspace(tmp_path_factory.mktemp("trial") / "season").season


def planned(pairs: int, **changes: str) -> Trial:
    order = draw_order(pairs, 4)
    day = dt.date(2025, 11, 1)
    base = Trial("T001", "M02", "F089", day, "share_depth_cm", (7.5, 7.0), order, 8.0, 0.8, 0.21)
    return replace(base, **changes)  # type: ignore[arg-type]


@pytest.mark.parametrize("days", [1, 2, 3, 7])
@pytest.mark.parametrize("pairs", [1, 7, 8, 20, 51, 123])
def test_every_day_has_one_sheet_and_no_pair_is_divided(pairs: int, days: int):
    sheets = trial_sheets(2 * pairs, days)
    assert [s.day for s in sheets] == list(range(1, min(days, pairs) + 1))
    sides = [side for s in sheets for side in s.sides]
    columns = [column for side in sides for column in side.columns]
    assert [i for column in columns for i in column] == list(range(2 * pairs))
    assert all(column.start % 2 == 0 and len(column) % 2 == 0 for column in columns)
    of_day = [sum(side.loads for side in s.sides) for s in sheets]
    assert max(of_day) - min(of_day) <= 2
    for sheet, loads in zip(sheets, of_day, strict=True):
        assert [side.number for side in sheet.sides] == list(range(1, len(sheet.sides) + 1))
        assert (len(sheet.sides) == 1) == (loads <= LINES_ON_FRONT)
        assert sheet.sides[0].loads == min(loads, LINES_ON_FRONT)
        assert all(side.loads <= LINES_ON_BACK for side in sheet.sides[1:])


@pytest.mark.parametrize("locale", ["en-GB", "fr-FR"])
@pytest.mark.parametrize(("pairs", "days"), [(7, 1), (20, 1), (42, 1), (51, 3)])
@pytest.mark.parametrize("name", ["M02", LONG])
def test_each_side_prints_on_one_page_of_a4(browser, season, tmp_path: Path, pairs: int, days: int, name: str, locale):
    trial = planned(pairs, machine_id=name, field_id=name)
    opened(browser, write_trial_sheet(trial, days, replace(season, locale=locale), tmp_path), 1280)
    printed = browser.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True})
    pages = pypdf.PdfReader(io.BytesIO(base64.b64decode(printed["data"]))).pages
    assert len(pages) == sum(len(s.sides) for s in trial_sheets(2 * pairs, days))
    for page in pages:
        text = " ".join(page.extract_text().split())
        assert " T001" in text
        assert all(arm in text for arm in ("A = 7", "B = 7"))
        assert [round(float(v) / 72 * 25.4) for v in page.mediabox[2:]] == [210, 297]
        if locale == "en-GB":
            assert "key out before hands go in" in text  # without a ligature, which the PDF may contain
            assert "Ticket number" in text


def test_a_front_that_continues_names_the_loads_on_its_back(browser, season, tmp_path: Path):
    opened(browser, write_trial_sheet(planned(42), 1, season, tmp_path), 1280)
    notes = evaluate(browser, "return [...document.querySelectorAll('.onward')].map(e => e.innerText)")
    assert [[int(n) for n in re.findall(r"\d+", note)] for note in notes] == [[LINES_ON_FRONT + 1, 84]]
    opened(browser, write_trial_sheet(planned(20), 1, season, tmp_path), 1280)
    assert evaluate(browser, "return document.querySelectorAll('.onward').length") == 0


def test_lines_are_ten_millimetres_high_on_paper(browser, season, tmp_path: Path):
    page = write_trial_sheet(planned(51), 3, season, tmp_path)
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    try:
        opened(browser, page, 700)
        heights = evaluate(
            browser, "return [...document.querySelectorAll('tbody tr')].map(r => r.getBoundingClientRect().height)"
        )
    finally:
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
    assert len(heights) == 102
    assert [h / PX_PER_MM for h in heights] == pytest.approx([LINE_MM] * 102, abs=0.3)


def test_a_sheet_gives_the_order_of_the_plan_and_no_statistics(browser, season, tmp_path: Path):
    trial = planned(51)
    page = write_trial_sheet(trial, 3, season, tmp_path)
    opened(browser, page, 390)
    shown = evaluate(
        browser, "return [...document.querySelectorAll('tbody tr')].map(r => r.innerText.trim().split(/\\s+/))"
    )
    assert shown == [[str(i + 1), arm, "7.5" if arm == "A" else "7.0", "cm"] for i, arm in enumerate(trial.order)]
    text = evaluate(browser, "return document.body.innerText")
    assert not re.search(r"deviation|chance|detect|log scale|power|0\.21", text)
    assert overflow(browser) <= 0


@pytest.mark.parametrize("width", [390, 768, 1280])
def test_hostile_names_are_text(browser, season, tmp_path: Path, width: int):
    page = write_trial_sheet(planned(8, machine_id=EVIL, field_id=EVIL), 1, season, tmp_path)
    assert EVIL not in page.read_text("utf-8")
    opened(browser, page, width)
    assert evaluate(browser, "return window.broken === undefined")
    assert EVIL in evaluate(browser, "return document.body.innerText")
    assert console_errors(browser) == []
    assert overflow(browser) <= 0


def test_the_first_screen_of_a_phone_shows_values_and_instructions(browser, season, tmp_path: Path):
    opened(browser, write_trial_sheet(planned(8), 1, season, tmp_path), 390)
    assert evaluate(browser, "return document.querySelector('ol').getBoundingClientRect().bottom") < 844
    assert evaluate(browser, "return document.querySelectorAll('ol')[0].children.length") == 6
