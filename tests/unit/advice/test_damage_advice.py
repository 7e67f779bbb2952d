"""Damage of the skin in the advice: sugar lost in the pile against dirt, both ways."""

import datetime as dt
from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from tests.unit.advice.test_topping_advice import AT, PRICES, RULES, slopes
from transforms.advice.advice_rows import advise_machine
from transforms.advice.cost import Topping, cost_parts
from transforms.advice.move_effects import MoveEffects
from transforms.advice.moves import Situation
from transforms.advice.shrinkage import DRAWS
from transforms.advice.storage import healthy_loss_kg_per_t_day
from transforms.config.response_catalogue import (
    DAMAGED,
    DIRT,
    OVER_TOPPED,
    RESPONSES,
    ROOT_LOSS,
    TOPS,
    priced_responses,
)
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


@pytest.mark.parametrize("name", ["rear_roller_reversed", "rear_roller_speed_pct", "transfer_web_speed_pct"])
def test_a_roller_that_bruises_roots_is_weighed_against_its_dirt(catalogue, name):
    """It takes 8 % off the dirt; if it also adds 0.9 to the log odds of damage on many roots, it is not advised."""
    tried = {name: (0.0, 100.0, 80)}
    where = replace(situation(40.0), settings={name: 0.0, "ground_speed_kmh": 6.0}, tried=tried)
    assert DAMAGED in catalogue[name].responses
    advice = {}
    for bruise in (0.0, 0.9):
        effects = {DIRT: slopes(**{name: (-0.08, 0.002)}), DAMAGED: slopes(**{name: (bruise, 0.02)})}
        advice[bruise] = advise_machine(where, MoveEffects(effects), catalogue, PRICES, RULES).row(0, named=True)
    assert (advice[0.0]["verdict"], advice[0.0]["setting"]) == ("move", name)
    assert advice[0.9]["verdict"] != "move"


def test_the_change_of_damage_has_its_interval(catalogue):
    """A step slower takes a fifth off the odds of 45 % damaged roots, with an error of 0.02 on their log."""
    row = advised(situation(45.0), -0.015, 0.20, catalogue).row(0, named=True)
    steps = (row["to_value"] - row["from_value"]) / catalogue[CLEANER].step
    odds = 45 / 55 * np.exp(steps * np.array([0.20, 0.20 - 0.02 * 1.96, 0.20 + 0.02 * 1.96]))
    change, *ends = 100 * (odds / (1 + odds) / 0.45 - 1)
    assert row["damaged_change_pct"] == pytest.approx(change, abs=0.3)
    assert sorted(ends) == pytest.approx([row["damaged_lo95"], row["damaged_hi95"]], abs=0.6)
    none = advised(situation(None), -0.03, None, catalogue).row(0, named=True)
    assert none["damaged_change_pct"] is none["damaged_lo95"] is none["damaged_hi95"] is None


def test_every_priced_response_that_a_move_affects_has_a_change_with_interval(catalogue):
    """A row names a change of each priced response; those without an effect have none, or one of 0."""
    names = {DIRT: "dirt", ROOT_LOSS: "root_loss", TOPS: "tops", OVER_TOPPED: "over_topped", DAMAGED: "damaged"}
    assert set(names) == set(priced_responses(RESPONSES))
    for left_out in (None, TOPS, OVER_TOPPED, DAMAGED):
        effects = {r: slopes(**{CLEANER: (-0.1 if r == DIRT else 0.02, 0.01)}) for r in names}
        if left_out is not None:
            effects[left_out] = slopes(**{CLEANER: (0.0, 0.0)})
        topping = Topping(np.full(DRAWS, 3.0), np.full(DRAWS, 0.1))
        where = replace(situation(20.0), topping=topping)
        row = advise_machine(where, MoveEffects(effects), catalogue, PRICES, RULES).row(0, named=True)
        assert row["verdict"] == "move"
        for response, name in names.items():
            change, low, high = (row[f"{name}_{end}"] for end in ("change_pct", "lo95", "hi95"))
            if response == left_out:
                assert change is low is high is None
            else:
                assert low < change < high, name


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
