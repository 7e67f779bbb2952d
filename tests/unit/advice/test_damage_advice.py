"""Damage of the skin in the advice: sugar lost in the pile against dirt, both ways."""

import datetime as dt
from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from tests.unit.advice.test_topping_advice import AT, PRICES, RULES, slopes
from transforms.advice.advice_rows import advise_machine
from transforms.advice.cost import cost_parts
from transforms.advice.move_effects import MoveEffects
from transforms.advice.moves import Situation
from transforms.advice.shrinkage import DRAWS
from transforms.advice.storage import healthy_loss_kg_per_t_day
from transforms.config.response_catalogue import DAMAGED, DIRT, ROOT_LOSS
from transforms.config.settings_catalogue import Catalogue
from transforms.config.workspace import Prices
from transforms.contracts.reason import codes_of

CLEANER = "cleaner_1_speed_rpm"
FAR = replace(AT, haul_km=40.0)


def situation(damaged_pct: float | None) -> Situation:
    level = None if damaged_pct is None else np.full(DRAWS, damaged_pct)
    day = dt.date(2025, 10, 9)
    now, tried = {CLEANER: 40.0, "ground_speed_kmh": 6.0}, {CLEANER: (30.0, 50.0, 80)}
    return Situation("M1", "F1", day, now, tried, "dry", "light", 0.10, 1.5, FAR, 0.2, "as now", damaged_pct=level)


def advised(
    where: Situation, dirt: float, damage: float | None, catalogue: Catalogue, prices: Prices = PRICES
) -> pl.DataFrame:
    """Return the advice if one step faster changes dirt and damage by these logs, and root loss by nothing."""
    effects = {DIRT: slopes(**{CLEANER: (dirt, 0.002)}), ROOT_LOSS: slopes(**{CLEANER: (0.0, 1e-4)})}
    if damage is not None:
        effects[DAMAGED] = slopes(**{CLEANER: (damage, 0.02)})
    return advise_machine(where, MoveEffects(effects), catalogue, prices, RULES)


def test_cost_of_damage_by_hand():
    """Ten points of damaged roots lose 6 % more of what healthy roots lose in the planned days."""
    parts = [cost_parts(0.1, 1.5, 6.0, 6.0, replace(AT, skin_damaged_pct=pct), PRICES) for pct in (20.0, 30.0)]
    healthy = PRICES.storage_days * float(healthy_loss_kg_per_t_day(PRICES.storage_temp_c))
    assert parts[1].pile - parts[0].pile == pytest.approx(0.06 * healthy * PRICES.sugar_per_t / 1000)
    assert parts[1].total - parts[0].total == pytest.approx(parts[1].pile - parts[0].pile)


def test_a_machine_that_bruises_many_roots_is_slowed_and_one_that_bruises_few_is_not(catalogue):
    """One step of the cleaner takes off 1.5 % of the dirt and adds a fifth to the odds of damage."""
    bruising = advised(situation(45.0), -0.015, 0.20, catalogue).row(0, named=True)
    assert (bruising["verdict"], bruising["setting"]) == ("move", CLEANER)
    assert bruising["to_value"] < bruising["from_value"]
    assert bruising["damaged_after_pct"] < bruising["damaged_before_pct"] == pytest.approx(45.0)
    assert bruising["dirt_after_pct"] > bruising["dirt_before_pct"]
    gentle = advised(situation(3.0), -0.030, 0.20, catalogue).row(0, named=True)
    assert (gentle["verdict"], gentle["setting"]) == ("move", CLEANER)
    assert gentle["to_value"] > gentle["from_value"]


def test_a_move_that_damages_more_says_so(catalogue):
    row = advised(situation(20.0), -0.10, 0.20, catalogue).row(0, named=True)
    assert row["to_value"] > row["from_value"]
    assert "damages_more" in codes_of(row["reason_code"], row["reason_args"])


def test_without_root_checks_damage_counts_as_unchanged(catalogue):
    row = advised(situation(None), -0.03, None, catalogue).row(0, named=True)
    assert row["to_value"] > row["from_value"]
    assert row["damaged_before_pct"] is row["damaged_after_pct"] is None


def test_without_a_price_damage_does_not_decide(catalogue):
    free = replace(PRICES, storage_damage_pct=0.0)
    assert advised(situation(45.0), -0.03, 0.20, catalogue, free)["to_value"][0] > 40.0
