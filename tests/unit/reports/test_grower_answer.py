"""Heading, tiles and ranked fields of a grower's sheet, recomputed from the tables of invented growers."""

import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from reports.page.model import Page, Prose
from reports.page.summary import BarRows, Tiles
from reports.pages.grower_data import GrowerData, grower_data
from reports.pages.grower_sheet import grower_page, write_grower_sheet
from reports.sections.grower_place import standing
from tests.unit.reports.chromium import console_errors, evaluate, opened, overflow
from tests.unit.reports.growers import Growers, fill, growers
from transforms.advice.own_soil import MIN_OVER_POINTS, fields_above_expected
from transforms.config.workspace import Prices, Season, init_workspace
from transforms.storage.warehouse import Warehouse

READER, GROWERS, LOADS = 2, 37, 80
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
    base = growers(GROWERS, loads=LOADS)
    observed, expected = base.observed.copy(), base.expected.copy()
    loads = np.arange(LOADS)
    observed[READER] = expected[READER] + 0.01 * np.where(loads % 4 < 2, 1, -1)
    observed[READER] += np.where((loads % 2 == field) | (field is None), points, 0.0)
    return replace(base, observed=observed)


def tiles_of(page: Page) -> Tiles:
    return next(b for b in page.walk() if isinstance(b, Tiles))


def amount(text: str) -> float:
    """Return the amount of money in a text."""
    found = re.search(r"([\d,.]+) EUR", text)
    assert found is not None, text
    return float(found[1].replace(",", ""))


def soil_cost(prices: Prices) -> float:
    """Return the cost of hauling a tonne of soil, from the prices themselves."""
    return prices.freight_per_t_km * prices.haul_km + prices.soil_handling_per_t + prices.soil_disposal_per_t


def test_the_heading_names_the_field_and_its_row_what_hauling_its_soil_costs(room, data_of):
    data = data_of(with_dirt(3.0, field=1))
    page = grower_page(data, room[1])
    facts = room[0].table("load_fact").join(room[0].table("expected_load"), on="load_id")
    own = facts.filter(pl.col("field_id") == f"F{READER:03d}1")
    over = own["dirt_tare_pct"].mean() - own["expected_pct"].mean()
    assert f"F{READER:03d}1" in page.title
    assert "EUR" not in page.title
    assert float(re.findall(r"\d+\.\d", page.title)[0]) == pytest.approx(over, abs=0.11)
    (rows,) = [b for b in page.walk() if isinstance(b, BarRows)]
    assert [r.title for r in rows.rows] == [f"F{READER:03d}1"]
    assert "haulage" in rows.rows[0].more
    assert amount(rows.rows[0].worth) == pytest.approx(
        own["delivered_t"].sum() * over / 100 * soil_cost(room[1].prices), rel=0.1
    )
    assert float(re.findall(r"\d+\.\d", rows.rows[0].action)[0]) == pytest.approx(over, abs=0.11)


def test_a_deduction_makes_the_soil_the_grower_s_own_money(room, data_of):
    data = data_of(with_dirt(3.0, field=1))
    page = grower_page(data, replace(room[1], soil_deduction_per_t=5.0))
    own = room[0].table("load_fact").filter(pl.col("field_id") == f"F{READER:03d}1")
    over = fields_above_expected(data.fields, room[1].prices)["over_points"][0]
    (rows,) = [b for b in page.walk() if isinstance(b, BarRows)]
    assert "haulage" not in rows.rows[0].more
    assert amount(rows.rows[0].worth) == pytest.approx(own["delivered_t"].sum() * over / 100 * 5.0, rel=0.05)
    assert amount(tiles_of(page).tiles[3].value) == 5.0  # a point of 100 t is a tonne
    free = tiles_of(grower_page(data, room[1])).tiles[3]
    assert amount(free.value) == pytest.approx(soil_cost(room[1].prices), rel=0.05)
    assert free.label.startswith("Not yours")


def test_two_dirty_fields_are_counted_and_added(room, data_of):
    data = data_of(with_dirt(3.0))
    page = grower_page(data, room[1])
    dirty = fields_above_expected(data.fields, room[1].prices)
    assert dirty["is_clear"].to_list() == [True, True]
    assert " 2 " in page.title
    assert dirty["soil_cost"].is_sorted(descending=True)


def test_without_a_dirty_field_there_is_an_action_and_no_list(room, data_of):
    page = grower_page(data_of(with_dirt(-1.0)), room[1])
    assert not [b for b in page.walk() if isinstance(b, BarRows)]
    assert tiles_of(page).tiles[0].tone == "better"
    assert page.title.startswith("Keep")
    assert asked(page)[0].startswith("Ask the contractor to keep")


def asked(page: Page) -> list[str]:
    """Return the paragraphs on what to do, without the cautions."""
    (section,) = (s for s in page.sections if s.id == "answer")
    return [b.text for b in section.blocks if isinstance(b, Prose) and not b.note]


def test_an_uncertain_field_asks_for_samples_and_keeps_the_settings(room, data_of):
    data = data_of(with_dirt(3.0, field=1))
    unsure = replace(data, fields=data.fields.with_columns(observed_half=pl.lit(9.0)))
    page = grower_page(unsure, room[1])
    assert page.title.startswith("Keep")
    assert "tare sample" in asked(page)[0]
    (rows,) = [b for b in page.walk() if isinstance(b, BarRows)]
    assert "not certain" in rows.rows[0].more


@pytest.mark.parametrize(("plots", "shown"), [(None, True), (2, True), (29, True), (30, False)])
def test_too_few_plots_are_asked_for_and_shown_pale(room, data_of, plots, shown):
    data = data_of(with_dirt(-1.0))
    loss = None if plots is None else 2.5
    few = replace(data, total={**data.total, "plots": plots, "root_loss_t_ha": loss})
    page = grower_page(few, room[1])
    assert any("dig-behind" in text for text in asked(page)) == shown
    roots = [t for t in tiles_of(page).tiles if t.label.startswith("Yours")]
    assert [(t.is_pale, "few plots" in t.word) for t in roots] == ([] if plots is None else [(shown, shown)])


def test_the_table_of_fields_is_pale_where_loads_or_plots_are_few(room, data_of):
    data = data_of(with_dirt(-1.0))
    counted = data.fields.with_columns(measured=pl.Series([29, 30]), plots=pl.Series([30, 29]))
    (table,) = (t for t in grower_page(replace(data, fields=counted), room[1]).tables if t.id == "fields")
    assert [(r.cells[4].is_pale, r.cells[6].is_pale) for r in table.rows] == [(True, False), (False, True)]
    assert "few loads" in table.rows[0].cells[4].text
    assert "few plots" in table.rows[1].cells[6].text
    assert isinstance(table.rows[0].cells[4].value, float)


@pytest.mark.parametrize(
    ("half", "measured", "clear"), [(2.0, 30, False), (None, 30, False), (0.1, 29, False), (0.1, 30, True)]
)
def test_a_field_with_few_loads_or_unequal_visits_is_not_certain(half, measured, clear, room):
    row = {"field_id": "F1", "loads": 40, "measured": measured, "delivered_t": 200.0, "observed_pct": 9.0}
    fields = pl.DataFrame(
        [{**row, "observed_half": half, "expected_pct": 8.0}], schema_overrides={"observed_half": pl.Float64}
    )
    assert fields_above_expected(fields, room[1].prices)["is_clear"].to_list() == [clear]
    near = fields.with_columns(expected_pct=pl.lit(9.0 - MIN_OVER_POINTS + 0.1))
    assert fields_above_expected(near, room[1].prices).height == 0
    withheld = fields.with_columns(expected_pct=pl.lit(None, pl.Float64))
    assert fields_above_expected(withheld, room[1].prices).height == 0


def test_tiles_are_the_grower_s_own_tables(room, data_of):
    data = data_of(with_dirt(3.0))
    own = room[0].table("load_fact").filter(pl.col("grower_id") == data.grower)
    dirt, expected, roots, _ = tiles_of(grower_page(data, room[1])).tiles
    assert dirt.value == f"{own['dirt_tare_pct'].mean():.1f} %"
    assert expected.value == f"{data.total['expected_pct']:.1f} %"
    plots = room[0].table("audit_fact").filter(pl.col("field_id").is_in(own["field_id"].unique().to_list()))
    loss = plots["root_loss_t_ha"].mean()
    hectares = (own["delivered_t"] * (1 - own["dirt_tare_pct"].mean() / 100) / own["yield_t_ha"]).sum()
    assert amount(roots.value) == pytest.approx(loss * room[1].prices.beet_per_t * hectares, rel=0.05)
    assert f"{loss:.1f} t/ha" in roots.word
    assert amount(roots.word) == pytest.approx(loss * room[1].prices.beet_per_t, rel=0.05)


def test_an_unknown_yield_leaves_the_sum_per_hectare(room, data_of):
    data = data_of(with_dirt(3.0))
    roots = tiles_of(grower_page(replace(data, total={**data.total, "lifted_ha": None}), room[1])).tiles[2]
    assert amount(roots.value) == pytest.approx(2.5 * room[1].prices.beet_per_t, rel=0.05)
    assert " ha," in roots.label


def test_money_and_difference_follow_from_figures_on_the_sheet(data_of, room):
    """Two states of the other growers that give equal rounded figures give equal headings, tiles and rows."""
    before = with_dirt(3.0, field=1)
    others = np.arange(GROWERS) != READER
    after = replace(before, own=before.own + np.where(others, 1e-4 * np.sin(np.arange(GROWERS)), 0.0))
    first, second = (grower_page(data_of(g), room[1]) for g in (before, after))
    assert (first.title, first.lead, first.sections[:2]) == (second.title, second.lead, second.sections[:2])


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
    assert not {str(GROWERS), str(LOADS * GROWERS)} & set(re.findall(r"[\d.,]+", words))


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
