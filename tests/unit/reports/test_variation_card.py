"""Cards of a variation plan: values as planned, one page per machine, legible on a phone and on paper."""

import base64
import datetime as dt
import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import pypdf
import pytest

from reports.language.display_units import DisplayUnits
from reports.page.formats import OutputFormats
from reports.pages.variation_card import LOADS_ON_PAGE, card_pages, write_variation_cards
from tests.unit.reports.chromium import axe_violations, console_errors, evaluate, opened, overflow
from transforms.config.workspace import Season, init_workspace
from transforms.variation.design import draw_loads
from transforms.variation.plan import MachinePlan, VariationPlan, VariedSetting

SPEED = VariedSetting("cleaner_1_speed_rpm", 36.0, 33.0, 39.0, 320.0, 12.0)
DEPTH = VariedSetting("share_depth_cm", 6.0, 5.5, 6.5, 200.0, 10.0)
METRIC = DisplayUnits("metric", "EUR", "UTC")
EVIL = "<script>window.broken=1</script>"


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Season:
    return init_workspace(tmp_path_factory.mktemp("variation") / "season").season


def planned(*pairs: int, settings: tuple[VariedSetting, ...] = (SPEED, DEPTH), name: str = "M") -> VariationPlan:
    rng, machines, first = np.random.default_rng(3), [], 1
    for k, n in enumerate(pairs):
        machines.append(MachinePlan(f"{name}{k}", f"{name}F", first, settings, draw_loads(settings, n, rng)))
        first += n
    return VariationPlan("V001", dt.date(2025, 10, 24), 1, tuple(machines))


def test_every_load_has_its_values_and_no_pair_is_divided(season: Season):
    plan = planned(3, 9, 13)
    pages = card_pages(plan, season, METRIC)
    assert [p.machine for p in pages] == ["M0", "M1", "M2", "M2"]
    assert [len(p.lines) for p in pages] == [6, LOADS_ON_PAGE, LOADS_ON_PAGE, 8]
    assert all(value in pages[0].fallback for value in ("36", "6.0"))
    (one,) = card_pages(planned(1, settings=(DEPTH,)), season, METRIC)
    assert one.instruction != pages[0].instruction
    lines = [line for p in pages if p.machine == "M2" for line in p.lines]
    assert [line.load for line in lines] == list(range(1, 27))
    for line, values in zip(lines, plan.machines[2].loads, strict=True):
        assert [v.is_high for v in line.values] == [values[0] == 39.0, values[1] == 6.5]
        assert [float(v.text) for v in line.values] == list(values)


@pytest.mark.parametrize("locale", ["en-GB", "pl-PL"])
@pytest.mark.parametrize("settings", [(SPEED, DEPTH), (DEPTH,)])
def test_a_card_is_complete_on_a_phone_at_a_desk_and_on_paper(browser, season, tmp_path: Path, settings, locale: str):
    plan = planned(3, 9, 10, settings=settings, name="Rosewood & Sons machine number ")
    page, pdf = write_variation_cards(plan, replace(season, locale=locale), tmp_path, OutputFormats(pdf=True))
    opened(browser, page, 1280)
    boxes = evaluate(browser, "return document.querySelectorAll('input.box').length")
    assert boxes == sum(len(m.loads) for m in plan.machines)
    printed = browser.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True})
    assert len(pypdf.PdfReader(io.BytesIO(base64.b64decode(printed["data"]))).pages) == 4
    assert len(pypdf.PdfReader(pdf).pages) == 4
    for width in (390, 1280):
        opened(browser, page, width)
        assert overflow(browser) <= 0
        assert console_errors(browser) == []
        assert axe_violations(browser) == []


def test_hostile_names_are_inert(browser, season, tmp_path: Path):
    (page,) = write_variation_cards(planned(2, name=EVIL), season, tmp_path)
    opened(browser, page, 390)
    assert EVIL not in page.read_text("utf-8")
    assert evaluate(browser, "return window.broken === undefined")
