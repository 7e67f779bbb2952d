"""Topping in the guide, its worth and the what-if answers, against costs computed by hand."""

from dataclasses import asdict, replace
from typing import Any

import numpy as np
import pytest

from transforms.advice.cost import CropAndHaul
from transforms.advice.cost_effects import CostLevels
from transforms.advice.guide import _class_result
from transforms.advice.guide_class import DRAWS, GuideClass
from transforms.advice.season_worth import ClassMoves, _saving
from transforms.advice.topping import unweighed_responses
from transforms.advice.what_if import WhatIfQuery, answer_query
from transforms.advice.what_if_table import CLAY, WETNESS, pack_draws
from transforms.config.response_catalogue import DIRT, OVER_TOPPED, ROOT_LOSS, TOPS, UNDER_TOPPED
from transforms.config.workspace import Prices
from transforms.model.prediction import PredictionPoint

HEIGHT = "scalper_height_mm"
AT = CropAndHaul(yield_t_ha=75.0, haul_km=20.0, width_m=3.0, tops_pct=4.0)
PRICES = Prices()
VALUES = np.array([20.0, 25.0, 30.0, 35.0, 40.0])
TOPS_BY_MM, OVER_BY_MM = 0.016, -0.06
USUAL_TOPS, USUAL_OVER = 0.05, 0.06
USUAL_STALKS, STALKS_BY_MM = 0.3, 0.05
HEAD = {"generation": "one", "wetness_class": "moist", "soil_class": "medium"}


def odds(share: float) -> float:
    return share / (1 - share)


def topping_by_hand(height: float) -> tuple[float, float]:
    """Top tare and the share topped too deep at a height, as fractions; at 30 mm they are usual."""
    tops = odds(USUAL_TOPS) * np.exp(TOPS_BY_MM * (height - 30))
    over = odds(USUAL_OVER) * np.exp(OVER_BY_MM * (height - 30))
    return tops / (1 + tops), over / (1 + over)


def money_by_hand(height: float, prices: Prices = PRICES) -> float:
    """Return the cost of topping at a height per t of clean beet: tops, beet cut off, sugar lost in the pile."""
    tops, over = topping_by_hand(height)
    per_t = prices.freight_per_t_km * AT.haul_km + prices.soil_handling_per_t + prices.tops_per_t
    # The loss of a healthy pile grows by storage_tops_pct per point of tops.
    pile = 100 * tops * prices.storage_tops_pct / 100 * sound_sugar(prices)
    return tops / (1 - tops) * per_t + 0.06 * over * prices.beet_per_t + pile


def sound_sugar(prices: Prices) -> float:
    """Return the worth of the sugar that a tonne of healthy beet loses in the pile."""
    levels = CostLevels({DIRT: 8.0}, 6.0, AT)
    more = CostLevels({DIRT: 8.0}, 6.0, replace(AT, tops_pct=AT.tops_pct + 1))
    free = replace(prices, storage_tops_pct=100.0)
    return more.cost({}, 0, free) - levels.cost({}, 0, free)


def class_of(responses: tuple[str, ...] = (TOPS, OVER_TOPPED)) -> GuideClass:
    steps = VALUES - 30.0
    slopes = {TOPS: TOPS_BY_MM, OVER_TOPPED: OVER_BY_MM}
    levels = {TOPS: np.log(odds(USUAL_TOPS)), OVER_TOPPED: np.log(odds(USUAL_OVER))}
    return GuideClass(
        {HEIGHT: VALUES},
        {HEIGHT: 30.0},
        {r: {HEIGHT: np.tile(slopes[r] * steps, (DRAWS, 1))} for r in responses},
        {},
        np.full(DRAWS, np.log(0.08 / 0.92)),
        np.full(DRAWS, 2.0),
        {r: np.full(DRAWS, levels[r]) for r in responses},
        AT,
        PredictionPoint({}, "medium", ""),
    )


@pytest.mark.parametrize("prices", [PRICES, replace(PRICES, tops_per_t=150.0), replace(PRICES, beet_per_t=400.0)])
def test_the_guide_sets_the_scalper_where_tops_and_beet_cut_off_cost_least(catalogue, prices):
    result = _class_result(class_of(), HEAD, {HEIGHT: (20.0, 40.0, 90)}, {HEIGHT: set()}, catalogue, prices)
    cost = [money_by_hand(v, prices) for v in VALUES]
    (row,) = result.settings
    assert row["start_value"] == VALUES[int(np.argmin(cost))]
    by_value = {r["value"]: r["cost_change_per_t"] for r in result.curves}
    assert [by_value[v] for v in VALUES] == pytest.approx(np.array(cost) - min(cost), abs=1e-9)
    assert result.summary["saved_per_t"] == pytest.approx(money_by_hand(30.0, prices) - min(cost), abs=1e-9)


def test_the_prices_decide_in_both_directions(catalogue):
    starts = []
    for prices in (replace(PRICES, tops_per_t=150.0), replace(PRICES, beet_per_t=400.0)):
        result = _class_result(class_of(), HEAD, {HEIGHT: (20.0, 40.0, 90)}, {HEIGHT: set()}, catalogue, prices)
        starts.append(result.settings[0]["start_value"])
    assert starts[0] < 30.0 < starts[1]


def test_values_that_lose_on_average_are_not_called_the_best_tried(catalogue):
    """The usual height lies between round values, each of which costs more."""
    c = class_of()
    worse = replace(c, changes={TOPS: {HEIGHT: np.tile(0.02 + 0.1 * np.abs(VALUES - 30.0), (DRAWS, 1))}})
    result = _class_result(worse, HEAD, {HEIGHT: (20.0, 40.0, 90)}, {HEIGHT: set()}, catalogue, PRICES)
    (row,) = result.settings
    assert (row["reason_code"], result.chosen) == ("no_clear_optimum", {})
    assert result.summary["saved_per_t"] == 0


def test_without_quality_checks_the_scalper_stays_as_usual(catalogue):
    unweighed = {HEIGHT: unweighed_responses(catalogue[HEIGHT], {DIRT: [], TOPS: [HEIGHT]})}
    assert unweighed == {HEIGHT: {OVER_TOPPED}}
    result = _class_result(class_of((TOPS,)), HEAD, {HEIGHT: (20.0, 40.0, 90)}, unweighed, catalogue, PRICES)
    (row,) = result.settings
    assert (row["start_value"], row["reason_code"]) == (30.0, "usual_without_topping_effect")
    assert unweighed_responses(catalogue[HEIGHT], {TOPS: [HEIGHT], OVER_TOPPED: [HEIGHT]}) == set()
    assert unweighed_responses(catalogue["share_depth_cm"], {DIRT: ["share_depth_cm"]}) == {ROOT_LOSS}


def test_the_season_s_savings_count_topping():
    c = class_of()
    moves = ClassMoves(HEAD, c.z_dirt, c.root_loss_t_ha, c.topping, {}, {}, (6.0, 6.0), AT)
    changes = {DIRT: np.zeros(3), TOPS: np.full(3, TOPS_BY_MM * -10), OVER_TOPPED: np.full(3, OVER_BY_MM * -10)}
    expected = money_by_hand(30.0) - money_by_hand(20.0)
    assert _saving(moves, changes, PRICES) == pytest.approx(np.full(3, expected), abs=1e-9)


def test_a_step_of_the_scalper_is_priced_by_both_responses():
    levels = CostLevels({DIRT: 8.0, TOPS: 100 * USUAL_TOPS, OVER_TOPPED: 100 * USUAL_OVER}, 6.0, AT)
    change = {TOPS: np.exp(5 * TOPS_BY_MM) - 1, OVER_TOPPED: np.exp(5 * OVER_BY_MM) - 1}
    for steps in (-2, -1, 1, 2):
        moved = levels.cost(change, steps, PRICES) - levels.cost({}, 0, PRICES)
        assert moved == pytest.approx(money_by_hand(30.0 + 5 * steps) - money_by_hand(30.0), abs=1e-9)


def table_of(slopes: dict[str, float]) -> dict[str, Any]:
    """Return a table of what-if without spread, in which only the scalper has an effect."""
    draws, nodes = 4, len(WETNESS) * len(CLAY)

    def response(share: float, slope: float | None) -> dict[str, Any]:
        step = {} if slope is None else {HEIGHT: pack_draws(np.full((draws, nodes), slope))}
        by = {} if slope is None else {HEIGHT: pack_draws(np.zeros((draws, 1)))}
        zero = {"visit": pack_draws(np.zeros(draws)), "base": pack_draws(np.zeros((draws, nodes)))}
        return {"z": float(np.log(odds(share))), **zero, "sides": {}, "step": step, "by": by, "bend": {}, "pairs": []}

    shares = {TOPS: USUAL_TOPS, OVER_TOPPED: USUAL_OVER}
    return {
        "wetness": list(WETNESS),
        "clay": list(CLAY),
        "at": {"air_temp_c": 9.0},
        "sides": {},
        "usual": {HEIGHT: 30.0},
        "values": {HEIGHT: [20.0, 40.0]},
        "plain_by": {"air_temp_c": [1.0, 0.0, 20.0]},
        "settings": {HEIGHT: {"step": 5.0}},
        "small_loss": 0.05,
        "prices": asdict(PRICES),
        "tried": {"moist|medium": {"n": 40, "settings": {HEIGHT: [20, 40]}}},
        "responses": {DIRT: response(0.08, None), **{r: response(shares[r], s) for r, s in slopes.items()}},
        "crop": {"haul_km": AT.haul_km, "width_m": AT.width_m, "sugar_pct": None, "tops_pct": AT.tops_pct},
    }


@pytest.mark.parametrize("height", [20.0, 27.5, 30.0, 38.0])
def test_what_if_prices_topping_as_by_hand(height):
    table = table_of({TOPS: 5 * TOPS_BY_MM, OVER_TOPPED: 5 * OVER_BY_MM})
    found = answer_query(table, WhatIfQuery(0.5, 25.0, 9.0, 75.0, {HEIGHT: height}))
    tops, over = topping_by_hand(height)
    assert found.top_tare_pct is not None
    assert found.over_topped_pct is not None
    assert found.top_tare_pct.mean == pytest.approx(100 * tops, rel=1e-4)
    assert found.over_topped_pct.mean == pytest.approx(100 * over, rel=1e-4)
    assert found.saved_per_t.mean == pytest.approx(money_by_hand(30.0) - money_by_hand(height), abs=1e-5)
    assert sum(found.parts.values()) == pytest.approx(found.cost_per_t.mean)
    assert found.parts["tops"] > 0


def stalks_by_hand(height: float) -> float:
    """Share of roots with stalks at a height: as much top tare as usual at 30 mm."""
    z = np.log(odds(USUAL_STALKS)) + STALKS_BY_MM * (height - 30)
    return float(1 / (1 + np.exp(-z)))


def money_of_stalks(height: float) -> float:
    tops, over = PRICES.stalks_tops_pct / 100 * stalks_by_hand(height), topping_by_hand(height)[1]
    per_t = PRICES.freight_per_t_km * AT.haul_km + PRICES.soil_handling_per_t + PRICES.tops_per_t
    pile = 100 * tops * PRICES.storage_tops_pct / 100 * sound_sugar(PRICES)
    return tops / (1 - tops) * per_t + 0.06 * over * PRICES.beet_per_t + pile


def test_guide_worth_and_what_if_price_stalks_where_no_top_tare_is_fitted(catalogue):
    c = class_of()
    z = np.full(DRAWS, np.log(odds(USUAL_STALKS)))
    stalks = replace(
        c,
        topping={UNDER_TOPPED: z, OVER_TOPPED: c.topping[OVER_TOPPED]},
        changes={
            UNDER_TOPPED: {HEIGHT: np.tile(STALKS_BY_MM * (VALUES - 30.0), (DRAWS, 1))},
            OVER_TOPPED: c.changes[OVER_TOPPED],
        },
    )
    cost = stalks.cost({}, PRICES, HEIGHT)[0]
    by_hand = [money_of_stalks(float(v)) for v in VALUES]
    assert np.diff(cost) == pytest.approx(np.diff(by_hand), abs=1e-9)
    moves = ClassMoves(HEAD, c.z_dirt, c.root_loss_t_ha, stalks.topping, {}, {}, (6.0, 6.0), AT)
    changes = {
        DIRT: np.zeros(3),
        UNDER_TOPPED: np.full(3, -10 * STALKS_BY_MM),
        OVER_TOPPED: np.full(3, -10 * OVER_BY_MM),
    }
    saved = money_of_stalks(30.0) - money_of_stalks(20.0)
    assert _saving(moves, changes, PRICES) == pytest.approx(np.full(3, saved), abs=1e-9)
    table = table_of({TOPS: 5 * STALKS_BY_MM, OVER_TOPPED: 5 * OVER_BY_MM})
    responses = table["responses"]
    responses[UNDER_TOPPED] = {**responses.pop(TOPS), "z": float(np.log(odds(USUAL_STALKS)))}
    found = answer_query(table, WhatIfQuery(0.5, 25.0, 9.0, 75.0, {HEIGHT: 20.0}))
    assert found.top_tare_pct is None
    assert found.saved_per_t.mean == pytest.approx(saved, abs=1e-5)
    assert unweighed_responses(catalogue[HEIGHT], {UNDER_TOPPED: [HEIGHT], OVER_TOPPED: [HEIGHT]}) == set()
    assert unweighed_responses(catalogue[HEIGHT], {UNDER_TOPPED: [HEIGHT]}) == {OVER_TOPPED}


def test_what_if_without_topping_has_no_figures_on_it():
    found = answer_query(table_of({}), WhatIfQuery(0.5, 25.0, 9.0, 75.0, {}))
    assert (found.top_tare_pct, found.over_topped_pct, found.parts["tops"]) == (None, None, 0.0)
