"""Heading, tiles and ranked fields of a grower's sheet, recomputed from the tables of invented growers."""

import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from reports.page.model import Page
from reports.page.summary import BarRows, Tiles
from reports.pages.grower_data import GrowerData, grower_data
from reports.pages.grower_sheet import grower_page, write_grower_sheet
from reports.sections.grower_place import standing
from tests.unit.reports.chromium import console_errors, evaluate, opened, overflow
from tests.unit.reports.growers import Growers, fill, growers
from transforms.advice.own_soil import MIN_OVER_POINTS, fields_above_expected
from transforms.config.workspace import Season, init_workspace
from transforms.storage.warehouse import Warehouse

READER, GROWERS = 2, 37
EVIL = "<script>window.broken=1</script>"
FILLED = """
return [...document.querySelectorAll('.picture')].map(p => {
  const s = p.closest('section'), c = getComputedStyle(s);
  const inner = s.clientWidth - parseFloat(c.paddingLeft) - parseFloat(c.paddingRight);
  return p.querySelector('svg').getBoundingClientRect().width / inner})
"""
"""Share of its section's width that each chart fills."""


@pytest.fixture(scope="module")
def room(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Warehouse, Season]]:
    season = init_workspace(tmp_path_factory.mktemp("answer") / "season").season
    with Warehouse.in_memory() as warehouse:
        yield warehouse, season


@pytest.fixture(scope="module")
def data_of(room) -> Callable[[Growers], GrowerData]:
    """Return a function that makes the data of the reader's sheet."""

    def made(invented: Growers) -> GrowerData:
        fill(room[0], invented)
        return next(d for d in grower_data(*room) if d.grower == invented.ids[READER])

    return made


def with_dirt(points: float, field: int | None = None) -> Growers:
    """Return growers of whom the reader's loads hold their expected dirt plus points, in one of two fields or both."""
    base = growers(GROWERS, loads=20)
    observed, expected = base.observed.copy(), base.expected.copy()
    loads = np.arange(20)
    observed[READER] = expected[READER] + 0.01 * np.where(loads % 4 < 2, 1, -1)
    observed[READER] += np.where((loads % 2 == field) | (field is None), points, 0.0)
    return replace(base, observed=observed)


def tiles_of(page: Page) -> Tiles:
    return next(b for b in page.walk() if isinstance(b, Tiles))


def amount(text: str) -> float:
    """Return the amount of money in a text."""
    found = re.search(r"about ([\d,.]+) EUR", text)
    assert found is not None, text
    return float(found[1].replace(",", ""))


def test_the_heading_names_the_field_and_what_its_extra_soil_costs(room, data_of):
    data = data_of(with_dirt(3.0, field=1))
    page = grower_page(data, room[1])
    facts = room[0].table("load_fact").join(room[0].table("expected_load"), on="load_id")
    own = facts.filter(pl.col("field_id") == f"F{READER:03d}1")
    over = own["dirt_tare_pct"].mean() - own["expected_pct"].mean()
    prices = room[1].prices
    per_t = prices.freight_per_t_km * prices.haul_km + prices.soil_handling_per_t + prices.soil_disposal_per_t
    assert f"F{READER:03d}1" in page.title
    assert amount(page.title) == pytest.approx(own["gross_t"].sum() * over / 100 * per_t, rel=0.1)
    (rows,) = [b for b in page.walk() if isinstance(b, BarRows)]
    assert [r.title for r in rows.rows] == [f"F{READER:03d}1"]
    assert float(re.findall(r"\d+\.\d", rows.rows[0].action)[0]) == pytest.approx(over, abs=0.11)


def test_two_dirty_fields_are_counted_and_added(room, data_of):
    data = data_of(with_dirt(3.0))
    page = grower_page(data, room[1])
    dirty = fields_above_expected(data.fields, room[1].prices)
    assert dirty["is_clear"].to_list() == [True, True]
    assert " 2 " in page.title
    assert amount(page.title) == pytest.approx(dirty["soil_cost"].sum(), rel=0.05)
    assert dirty["soil_cost"].is_sorted(descending=True)


def test_without_a_dirty_field_there_is_no_list_and_no_money_in_the_heading(room, data_of):
    page = grower_page(data_of(with_dirt(-1.0)), room[1])
    assert "EUR" not in page.title
    assert not [b for b in page.walk() if isinstance(b, BarRows)]
    assert tiles_of(page).tiles[0].tone == "better"


@pytest.mark.parametrize("half", [2.0, None])
def test_a_field_with_few_or_unequal_visits_is_listed_as_not_certain(half, room):
    row = {"field_id": "F1", "loads": 9, "gross_t": 200.0, "observed_pct": 9.0, "observed_half": half}
    fields = pl.DataFrame([{**row, "expected_pct": 8.0}], schema_overrides={"observed_half": pl.Float64})
    assert fields_above_expected(fields, room[1].prices)["is_clear"].to_list() == [False]
    near = fields.with_columns(expected_pct=pl.lit(9.0 - MIN_OVER_POINTS + 0.1))
    assert fields_above_expected(near, room[1].prices).height == 0
    withheld = fields.with_columns(expected_pct=pl.lit(None, pl.Float64))
    assert fields_above_expected(withheld, room[1].prices).height == 0


def test_tiles_are_the_grower_s_own_tables(room, data_of):
    data = data_of(with_dirt(3.0))
    own = room[0].table("load_fact").filter(pl.col("grower_id") == data.grower)
    dirt, expected, _, roots = tiles_of(grower_page(data, room[1])).tiles
    assert dirt.value == f"{own['dirt_tare_pct'].mean():.1f} %"
    assert expected.value == f"{data.total['expected_pct']:.1f} %"
    plots = room[0].table("audit_fact").filter(pl.col("field_id").is_in(own["field_id"].unique().to_list()))
    assert roots.value == f"{plots['root_loss_t_ha'].mean():.1f} t/ha"
    assert amount(roots.word) == pytest.approx(plots["root_loss_t_ha"].mean() * room[1].prices.beet_per_t, rel=0.05)


def test_money_and_difference_follow_from_figures_on_the_sheet(data_of, room):
    """Two states of the other growers that give equal rounded figures give equal headings, tiles and rows."""
    before = with_dirt(3.0, field=1)
    others = np.arange(GROWERS) != READER
    after = replace(before, own=before.own + np.where(others, 1e-4 * np.sin(np.arange(GROWERS)), 0.0))
    first, second = (grower_page(data_of(g), room[1]) for g in (before, after))
    assert (first.title, first.lead, first.sections[0]) == (second.title, second.lead, second.sections[0])


def test_withheld_expected_values_leave_only_own_figures(room):
    fill(room[0], growers(3))
    data = next(grower_data(*room))
    page = grower_page(data, room[1])
    assert data.total["expected_pct"] is None
    assert f"{data.total['observed_pct']:.1f} % dirt" in page.title
    assert tiles_of(page).tiles[1].value == "–"
    assert standing(data.place) is None


@pytest.mark.parametrize(("low", "high"), [(0.1, 0.9), (-0.9, -0.1), (-0.4, 0.4)])
def test_the_standing_follows_the_interval(data_of, low, high):
    place = data_of(with_dirt(0.0)).place
    shown = replace(place, figures={**place.figures, "shrunken_lo95": low, "shrunken_hi95": high})
    words = standing(shown)
    assert [w in words for w in ("more dirt", "less dirt", "where most")] == [low > 0, high < 0, low < 0 < high]


def test_no_count_of_all_growers_or_of_their_loads_is_on_the_sheet(data_of, room, tmp_path: Path):
    text = write_grower_sheet(data_of(with_dirt(3.0)), room[1], tmp_path)[0].read_text("utf-8")
    words = re.sub(r"<(svg|style)\b.*?</\1>", "", text, flags=re.DOTALL)
    assert not {str(GROWERS), str(20 * GROWERS)} & set(re.findall(r"[\d.,]+", words))


def test_the_first_screen_of_a_phone_answers_and_charts_fill_their_width(data_of, room, browser, tmp_path: Path):
    page = write_grower_sheet(data_of(with_dirt(3.0, field=1)), room[1], tmp_path)[0]
    opened(browser, page, 390)
    bottom = "return document.querySelector(arguments[0]).getBoundingClientRect().bottom"
    assert evaluate(browser, bottom, ".lead") < 400
    assert evaluate(browser, bottom, ".bar-row") < 844
    assert evaluate(browser, "return document.querySelector('.caution').innerText").startswith("Advice")
    for width in (390, 768, 1280):
        opened(browser, page, width)
        filled = evaluate(browser, FILLED)
        assert len(filled) == 3
        assert min(filled) > 0.98
        assert overflow(browser) <= 0


def test_hostile_ids_are_text(data_of, room, browser, tmp_path: Path):
    data = data_of(with_dirt(3.0, field=1))
    fields = data.fields.with_columns(pl.col("field_id") + EVIL)
    hostile = replace(data, fields=fields, grower=data.grower + EVIL)
    page = write_grower_sheet(hostile, room[1], tmp_path)[0]
    assert EVIL not in page.read_text("utf-8")
    opened(browser, page, 390)
    assert evaluate(browser, "return window.broken === undefined")
    assert EVIL in evaluate(browser, "return document.querySelector('h1').innerText")
    assert console_errors(browser) == []
    assert overflow(browser) <= 0
