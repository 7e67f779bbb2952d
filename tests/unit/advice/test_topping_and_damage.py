"""Topping and damaged skin together in guide, savings, steps and what-if answers: their costs add up as by hand."""

from dataclasses import replace

import numpy as np
import pytest

from tests.unit.advice.test_topping_guide import (
    AT,
    HEAD,
    HEIGHT,
    OVER_BY_MM,
    PRICES,
    TOPS_BY_MM,
    USUAL_OVER,
    USUAL_TOPS,
    VALUES,
    class_of,
    money_by_hand,
    odds,
    sound_sugar,
    table_of,
)
from transforms.advice.cost_effects import CostLevels
from transforms.advice.guide_class import DRAWS, GuideClass, class_moves
from transforms.advice.season_worth import _saving
from transforms.advice.what_if import WhatIfQuery, answer_query
from transforms.advice.what_if_table import CLAY, WETNESS, pack_draws
from transforms.config.response_catalogue import DAMAGED, DIRT, OVER_TOPPED, TOPS

USUAL_DAMAGE, DAMAGE_BY_MM = 0.20, 0.03


def damage_by_hand(height: float) -> float:
    """Share of roots with damaged skin at a height of the scalper."""
    moved = odds(USUAL_DAMAGE) * np.exp(DAMAGE_BY_MM * (height - 30))
    return float(moved / (1 + moved))


def both_by_hand(height: float) -> float:
    """Return the cost of topping and damage at a height per t of clean beet."""
    pile = 100 * damage_by_hand(height) * PRICES.storage_damage_pct / 100 * sound_sugar(PRICES)
    return money_by_hand(height) + pile


def class_with_damage() -> GuideClass:
    plain = class_of()
    changes = {**plain.changes, DAMAGED: {HEIGHT: np.tile(DAMAGE_BY_MM * (VALUES - 30), (DRAWS, 1))}}
    return replace(plain, changes=changes, z_damaged=np.full(DRAWS, np.log(odds(USUAL_DAMAGE))))


def test_damage_has_weight_in_these_tests():
    assert abs(both_by_hand(40.0) - both_by_hand(30.0) - money_by_hand(40.0) + money_by_hand(30.0)) > 0.01


def test_the_guide_adds_the_cost_of_damage_to_that_of_topping():
    cost = class_with_damage().cost({}, PRICES, HEIGHT).mean(axis=0)
    by_hand = np.array([both_by_hand(v) for v in VALUES])
    assert cost - cost[2] == pytest.approx(by_hand - by_hand[2], abs=1e-9)


def test_the_savings_of_the_season_count_both():
    changes = {
        DIRT: np.zeros(3),
        TOPS: np.full(3, TOPS_BY_MM * -10),
        OVER_TOPPED: np.full(3, OVER_BY_MM * -10),
        DAMAGED: np.full(3, DAMAGE_BY_MM * -10),
    }
    moves = class_moves(class_with_damage(), {HEIGHT: 0}, HEAD, {})
    assert _saving(moves, changes, PRICES) == pytest.approx(np.full(3, both_by_hand(30.0) - both_by_hand(20.0)))


def test_a_step_is_priced_by_topping_and_damage():
    of = {DIRT: 8.0, TOPS: 100 * USUAL_TOPS, OVER_TOPPED: 100 * USUAL_OVER, DAMAGED: 100 * USUAL_DAMAGE}
    levels = CostLevels(of, 6.0, AT)
    by_mm = {TOPS: TOPS_BY_MM, OVER_TOPPED: OVER_BY_MM, DAMAGED: DAMAGE_BY_MM}
    change = {r: float(np.expm1(5 * slope)) for r, slope in by_mm.items()}
    for steps in (-2, -1, 1, 2):
        moved = levels.cost(change, steps, PRICES) - levels.cost({}, 0, PRICES)
        assert moved == pytest.approx(both_by_hand(30.0 + 5 * steps) - both_by_hand(30.0), abs=1e-9)


@pytest.mark.parametrize("height", [20.0, 27.5, 38.0])
def test_what_if_prices_topping_and_damage(height):
    table = table_of({TOPS: 5 * TOPS_BY_MM, OVER_TOPPED: 5 * OVER_BY_MM})
    step = pack_draws(np.full((4, len(WETNESS) * len(CLAY)), 5 * DAMAGE_BY_MM))
    z = float(np.log(odds(USUAL_DAMAGE)))
    table["responses"][DAMAGED] = {**table["responses"][TOPS], "z": z, "step": {HEIGHT: step}}
    found = answer_query(table, WhatIfQuery(0.5, 25.0, 9.0, 75.0, {HEIGHT: height}))
    assert found.damaged_pct is not None
    assert found.damaged_pct.mean == pytest.approx(100 * damage_by_hand(height), rel=1e-4)
    assert found.saved_per_t.mean == pytest.approx(both_by_hand(30.0) - both_by_hand(height), abs=1e-5)
