"""Severe damage counted in root checks against the share that the default price assumes."""

from dataclasses import replace

import polars as pl
import pytest

from tests.unit.advice.test_topping_advice import AT
from transforms.advice.cost import cost_parts
from transforms.advice.severe_damage import ASSUMED_SEVERE, MIN_DAMAGED, PRICE, counted_damage_prices
from transforms.advice.storage import condition_factor
from transforms.config.workspace import Prices

PRICES = Prices()


def checks(damaged: float, severe: float | None, n: int = 20) -> pl.DataFrame:
    """Return root checks of 50 roots each."""
    columns = {"damaged_count": [damaged] * n, "severely_damaged_count": [severe] * n}
    return pl.DataFrame(columns, schema=dict.fromkeys(columns, pl.Float64))


@pytest.mark.parametrize(("severe", "factor"), [(0.0, 0.0), (2.0, 1.0), (5.0, 2.5)])
def test_the_loss_per_point_follows_the_share_of_severe_damage(severe, factor):
    """With one severely damaged root in five damaged ones the price is that of the default."""
    found = counted_damage_prices(PRICES, checks(10.0, severe), (PRICE,))
    assert found.storage_damage_pct == pytest.approx(PRICES.storage_damage_pct * factor)
    assert replace(found, storage_damage_pct=PRICES.storage_damage_pct) == PRICES
    assert pytest.approx(0.2) == ASSUMED_SEVERE
    piles = [condition_factor(0.0, 0.0, 0.0, p, 30.0) - condition_factor(0.0, 0.0, 0.0, p) for p in (PRICES, found)]
    assert piles[1] == pytest.approx(factor * piles[0])


def test_more_severe_damage_makes_damaged_skin_dearer_in_the_cost_of_moves():
    at = replace(AT, skin_damaged_pct=30.0)
    dear = counted_damage_prices(PRICES, checks(10.0, 8.0), (PRICE,))
    usual, severe = (cost_parts(0.1, 1.5, 6.0, 6.0, at, p) for p in (PRICES, dear))
    assert severe.pile > usual.pile
    assert severe.roots == usual.roots


@pytest.mark.parametrize(
    ("table", "assumed"),
    [
        (checks(10.0, 2.5), ()),
        (checks(10.0, None), (PRICE,)),
        (checks(10.0, 2.5, n=int(MIN_DAMAGED / 10) - 1), (PRICE,)),
        (pl.DataFrame({"check_id": ["C"]}), (PRICE,)),
    ],
    ids=["price of the workspace", "severe damage not counted", "few damaged roots", "no counts"],
)
def test_without_counts_and_with_a_price_of_its_own_nothing_changes(table, assumed):
    assert counted_damage_prices(PRICES, table, assumed) == PRICES
