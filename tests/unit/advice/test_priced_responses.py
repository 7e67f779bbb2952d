"""Prices that the catalogue names for each response: they exist, say that they are assumed, and are those that act."""

import tomllib
from dataclasses import fields, replace

import pytest

from tests.unit.advice.test_topping_advice import AT
from transforms.advice.cost_effects import CostLevels
from transforms.advice.price_sensitivity import CAUSE_PRICES
from transforms.config.response_catalogue import (
    DAMAGED,
    DIRT,
    OVER_TOPPED,
    PRICED,
    RESPONSES,
    ROOT_LOSS,
    TOPS,
    UNDER_TOPPED,
)
from transforms.config.workspace import Prices, season_template

NAMES = tuple(f.name for f in fields(Prices))
LEVELS = CostLevels(
    {DIRT: 8.0, ROOT_LOSS: 2.0, TOPS: 4.0, OVER_TOPPED: 6.0, DAMAGED: 15.0}, 6.0, replace(AT, sugar_pct=17.0)
)


def cost_of_step(response: str, prices: Prices) -> float:
    """Return what a tenth more of a response costs, all others unchanged."""
    levels = replace(LEVELS, at=replace(LEVELS.at, haul_km=prices.haul_km))
    if response == UNDER_TOPPED:
        levels = replace(levels, of={**{r: v for r, v in levels.of.items() if r != TOPS}, UNDER_TOPPED: 20.0})
    return levels.cost({response: 0.1}, 1, prices) - levels.cost({response: 0.1}, 0, prices)


@pytest.mark.parametrize("response", PRICED)
def test_the_cost_of_a_response_depends_on_the_prices_that_it_names_and_on_no_other(response):
    usual = cost_of_step(response, Prices())
    assert usual > 0
    acting = set()
    for name in NAMES:
        dearer = replace(Prices(), **{name: getattr(Prices(), name) * 1.1})
        if abs(cost_of_step(response, dearer) / usual - 1) > 1e-6:
            acting.add(name)
    assert acting == set(RESPONSES[response].prices)


@pytest.mark.parametrize("response", RESPONSES)
def test_a_response_with_prices_has_a_source_and_one_without_has_none(response):
    found = RESPONSES[response]
    assert set(found.prices) <= set(NAMES)
    assert bool(found.prices) == bool(found.source)
    assert response.endswith(found.unit)


def test_each_price_acts_on_a_response_or_on_hours_and_belongs_to_a_cause():
    used = {p for r in PRICED for p in RESPONSES[r].prices}
    assert set(NAMES) - used == {"machine_hour", "parts_change"}
    assert {p for prices in CAUSE_PRICES.values() for p in prices} <= set(NAMES)


def test_each_default_price_says_that_it_is_assumed_or_where_it_is_from():
    lines = season_template().splitlines()
    table = tomllib.loads(season_template())["prices"]
    said = {line.split(" = ")[0]: line.partition("# ")[2] for line in lines if line.split(" = ")[0] in NAMES}
    assert set(said) == set(NAMES)
    assert all(text.startswith("assumed: ") for text in said.values())
    assert {n: float(table[n]) for n in NAMES} == {f.name: f.default for f in fields(Prices)}
