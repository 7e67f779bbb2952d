"""Topping in the advice: leaf delivered against beet cut off with it."""

import datetime as dt
from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from transforms.advice.advice_rows import advise_machine
from transforms.advice.cost import CAUSES, OVER_TOPPED_LOSS, CropAndHaul, Topping, cost_parts, topping_cost_per_t
from transforms.advice.move_effects import MoveEffects
from transforms.advice.moves import Situation, predict_outcome
from transforms.advice.posterior import Slopes
from transforms.advice.shrinkage import DRAWS
from transforms.advice.topping import topping_from_scale
from transforms.config.response_catalogue import DIRT, OVER_TOPPED, TOPS, UNDER_TOPPED, priced_responses
from transforms.config.settings_catalogue import Catalogue
from transforms.config.workspace import AdviceRules, Prices
from transforms.model.response_scale import ratio_scale

AT = CropAndHaul(yield_t_ha=75.0, haul_km=20.0, width_m=3.0)
PRICES, RULES = Prices(), AdviceRules()
HEIGHT = "scalper_height_mm"


def slopes(**mean_and_sd: tuple[float, float]) -> Slopes:
    rng = np.random.default_rng(1)
    return Slopes(list(mean_and_sd), np.column_stack([rng.normal(m, s, DRAWS) for m, s in mean_and_sd.values()]))


def situation(tops_pct: float, over: float | None) -> Situation:
    level = Topping(np.full(DRAWS, tops_pct), None if over is None else np.full(DRAWS, over))
    day = dt.date(2025, 10, 9)
    now, tried = {HEIGHT: 40.0, "ground_speed_kmh": 6.0}, {HEIGHT: (20.0, 60.0, 80)}
    return Situation("M1", "F1", day, now, tried, "wet", "heavy", 0.15, 2.0, AT, 0.8, "as now", level)


def advised(
    where: Situation, effects: dict[str, Slopes], catalogue: Catalogue, prices: Prices = PRICES
) -> pl.DataFrame:
    return advise_machine(
        where, MoveEffects({DIRT: slopes(share_drive_pct=(0.0, 0.001)), **effects}), catalogue, prices, RULES
    )


def test_cost_of_topping_by_hand():
    """4 t of tops to 96 t of the rest at 0.11*20+4+15 each; 10 % of roots lose 6 % of a beet worth 38."""
    cost = topping_cost_per_t(Topping(4.0, 0.10), AT, PRICES)
    assert cost == pytest.approx(4 / 96 * 21.2 + 0.10 * 0.06 * 38.0)
    assert pytest.approx(0.06) == OVER_TOPPED_LOSS
    parts = cost_parts(0.1, 1.5, 6.0, 6.0, AT, PRICES, Topping(4.0, 0.10))
    without = cost_parts(0.1, 1.5, 6.0, 6.0, AT, PRICES)
    assert parts.total - without.total == pytest.approx(cost)
    assert parts.total == pytest.approx(sum(getattr(parts, c) for c in CAUSES))


def test_a_machine_that_leaves_much_leaf_is_told_to_top_deeper(catalogue):
    effects = {TOPS: slopes(**{HEIGHT: (0.12, 0.01)}), OVER_TOPPED: slopes(**{HEIGHT: (-0.25, 0.02)})}
    row = advised(situation(8.0, 0.02), effects, catalogue).row(0, named=True)
    assert (row["verdict"], row["setting"]) == ("move", HEIGHT)
    assert row["to_value"] < row["from_value"]
    assert row["tops_after_pct"] < row["tops_before_pct"] == pytest.approx(8.0)
    assert row["over_topped_after_pct"] > row["over_topped_before_pct"] == pytest.approx(2.0)
    assert row["tops_lo95"] < row["tops_change_pct"] < row["tops_hi95"] < 0
    assert row["tops_change_pct"] == pytest.approx(100 * (row["tops_after_pct"] / row["tops_before_pct"] - 1), abs=0.1)
    assert 0 < row["over_topped_lo95"] < row["over_topped_change_pct"] < row["over_topped_hi95"]
    assert row["gain_per_t"] == pytest.approx(sum(row[f"gain_{c}_per_t"] for c in CAUSES))


def test_a_machine_that_cuts_off_much_beet_is_told_to_top_higher(catalogue):
    """Advice goes both ways, and depends on what beet is worth."""
    effects = {TOPS: slopes(**{HEIGHT: (0.12, 0.01)}), OVER_TOPPED: slopes(**{HEIGHT: (-0.25, 0.02)})}
    row = advised(situation(2.5, 0.25), effects, catalogue).row(0, named=True)
    assert (row["verdict"], row["setting"]) == ("move", HEIGHT)
    assert row["to_value"] > row["from_value"]
    cheap = advised(situation(2.5, 0.25), effects, catalogue, replace(PRICES, beet_per_t=1.0, quality_per_point=0.0))
    assert (cheap["verdict"] == "hold").all() or cheap["to_value"][0] < cheap["from_value"][0]


def with_stalks(stalks: float, over: float, prices: Prices = PRICES) -> Situation:
    """Return a machine whose topping is known from root checks alone."""
    levels = {r: ratio_scale(np.full(DRAWS, 100 * v)) for r, v in ((UNDER_TOPPED, stalks), (OVER_TOPPED, over))}
    return replace(situation(1.0, None), topping=topping_from_scale(levels, prices.stalks_tops_pct))


def test_without_top_tare_stalks_are_weighed_against_roots_topped_too_deep(catalogue):
    effects = {UNDER_TOPPED: slopes(**{HEIGHT: (0.25, 0.01)}), OVER_TOPPED: slopes(**{HEIGHT: (-0.25, 0.02)})}
    stalks = advised(with_stalks(0.45, 0.02), effects, catalogue).row(0, named=True)
    assert (stalks["verdict"], stalks["setting"]) == ("move", HEIGHT)
    assert stalks["to_value"] < stalks["from_value"]
    assert stalks["tops_before_pct"] is stalks["tops_after_pct"] is stalks["tops_change_pct"] is None
    assert stalks["over_topped_after_pct"] > stalks["over_topped_before_pct"]
    deep = advised(with_stalks(0.02, 0.30), effects, catalogue).row(0, named=True)
    assert deep["to_value"] > deep["from_value"]


def test_the_gain_by_stalks_is_that_of_their_top_tare_by_hand(catalogue):
    """Roots with stalks fall from 45 % by two steps; each is 8 % top tare, which costs money and sugar in the pile."""
    effects = {
        UNDER_TOPPED: slopes(**{HEIGHT: (0.25, 1e-6)}),
        OVER_TOPPED: slopes(**{HEIGHT: (-0.25, 1e-6)}),
        DIRT: slopes(share_drive_pct=(0.0, 1e-6)),
    }
    where = with_stalks(0.45, 0.02)
    before, after = (
        predict_outcome(where, {HEIGHT: k}, MoveEffects(effects), PRICES, catalogue).topping for k in (0.0, -2.0)
    )
    assert before is not None
    assert after is not None
    odds = 0.45 / 0.55 * np.exp(-0.5)
    assert np.mean(before.tops_pct) == pytest.approx(PRICES.stalks_tops_pct * 0.45)
    assert np.mean(after.tops_pct) == pytest.approx(PRICES.stalks_tops_pct * odds / (1 + odds), rel=1e-4)
    assert before.measured_tops_pct is None


@pytest.mark.parametrize("known", [(UNDER_TOPPED,), (OVER_TOPPED,)])
def test_one_side_of_topping_in_root_checks_moves_nothing(catalogue, known):
    effects = {r: slopes(**{HEIGHT: (0.25 if r == UNDER_TOPPED else -0.25, 0.01)}) for r in known}
    assert advised(with_stalks(0.45, 0.02), effects, catalogue)["verdict"].to_list() == ["hold"]


def test_stalks_have_a_price_only_without_top_tare():
    assert UNDER_TOPPED in priced_responses({DIRT, UNDER_TOPPED, OVER_TOPPED})
    assert UNDER_TOPPED not in priced_responses({DIRT, TOPS, UNDER_TOPPED, OVER_TOPPED})
    assert priced_responses({DIRT}) == [DIRT]


@pytest.mark.parametrize("known", [(TOPS,), (OVER_TOPPED,), ()])
def test_topping_is_not_moved_if_one_side_of_the_trade_is_unknown(catalogue, known):
    effects = {r: slopes(**{HEIGHT: (0.12 if r == TOPS else -0.25, 0.01)}) for r in known}
    where = situation(8.0, 0.02 if OVER_TOPPED in known else None)
    assert advised(where, effects, catalogue)["verdict"].to_list() == ["hold"]
