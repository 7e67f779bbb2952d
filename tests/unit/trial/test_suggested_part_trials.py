"""Suggested trials of fitted parts: one for each comparison that is open, with its days, cost and worth."""

from dataclasses import replace
from typing import Any

import numpy as np
import polars as pl
import pytest

from tests.support.invented_part_trials import DayNature, invent_days, invented_plan, start_list
from transforms.advice.cost import CropAndHaul
from transforms.advice.cost_effects import CostLevels
from transforms.advice.part_evidence import FleetParts
from transforms.config.response_catalogue import DIRT
from transforms.config.workspace import Prices
from transforms.model.fitted_parts import PART_SCHEMA
from transforms.trial.part_size import DayNoise, days_of_each, part_trial_pairs
from transforms.trial.size import TrialNoise
from transforms.trial.suggested_part_trials import suggest_part_trials
from transforms.trial.suggested_trials import TrialPrices
from transforms.trial.value import SeasonScale

NOISE = DayNoise(TrialNoise(0.1, 0.1), 0.05, 0.1)
LOADS = invent_days(invented_plan(8, 3, 3), DayNature(0.0), np.random.default_rng(3))
MONEY = TrialPrices(
    CostLevels({DIRT: 10.0}, 6.0, CropAndHaul(75.0, 20.0, 3.0)), Prices(), SeasonScale({"wet": 50_000.0}, 0.5), 14.0
)


def compared(wetness_class: str | None, change_pct: float | None, **changed: Any) -> dict[str, Any]:
    """Return a comparison: the change of dirt with bars instead of tines."""
    ends = {end: None if change_pct is None else change_pct + d for end, d in (("lo95", -12.0), ("hi95", 14.0))}
    row = {
        "response": DIRT,
        "place": "cleaning",
        "part": "smooth bars",
        "compared_with": "tines",
        "wetness_class": wetness_class,
        "change_pct": change_pct,
        **ends,
        "machines": 3,
        "n": 90,
        "wetness_gap": -0.3,
        "reason_code": "part_confounded_wetness",
        "reason_args": '{"gap": -0.3}',
    }
    return {**row, **changed}


def suggested(*effects: dict[str, Any], money: TrialPrices = MONEY) -> pl.DataFrame:
    fleet = FleetParts(start_list(3), pl.DataFrame(list(effects), schema=PART_SCHEMA), {}, "Europe/Prague")
    return suggest_part_trials(fleet, LOADS, NOISE, 0.8, money)


def test_a_confounded_comparison_comes_with_its_trial():
    (row,) = suggested(compared("wet", 15.0)).to_dicts()
    assert (row["setting"], row["part_now"], row["part"]) == ("cleaning_elements", "smooth bars", "tines")
    assert (row["wetness_class"], row["reason_code"], row["machine_id"]) == (
        "wet",
        "part_confounded_wetness",
        "M0, M1, M2",
    )
    assert row["change_pct"] == pytest.approx(100 * (1 / 1.15 - 1))
    assert row["lo95"] == pytest.approx(100 * (1 / 1.29 - 1))
    assert row["detect_pct"] == 15.0
    assert row["pairs"] == part_trial_pairs(15.0, NOISE.pair_sd(LOADS), 0.8)
    assert row["machine_days"] == days_of_each(row["pairs"], 3)
    assert row["workshop_cost"] == pytest.approx(1.5 * row["pairs"] * Prices().parts_change)


def test_a_comparison_by_lot_needs_no_trial():
    known = {"reason_code": "part_by_lot", "reason_args": '{"pairs": 12}', "pairs": 12}
    rows = suggested(compared("wet", 15.0, **known), compared("moist", 5.0), compared(None, 8.0))
    assert rows["wetness_class"].to_list() == ["moist"]


def test_without_a_class_in_which_machines_had_both_the_trial_is_on_all_days():
    rows = suggested(compared(None, None, machines=1, reason_code="part_one_machine", reason_args="{}"))
    assert rows["wetness_class"].to_list() == [None]
    assert rows["detect_pct"].to_list() == [10.0]
    assert suggested().height == 0


def test_the_workshop_counts_in_the_worth():
    free = replace(MONEY, prices=replace(Prices(), parts_change=0.0))
    (dear,), (cheap,) = (suggested(compared("wet", 15.0), money=m)["worth"].to_list() for m in (MONEY, free))
    (cost,) = suggested(compared("wet", 15.0))["workshop_cost"].to_list()
    assert cheap > 0
    assert dear == pytest.approx(cheap - cost)


def test_an_answer_is_worth_more_in_more_tonnes_and_nothing_without():
    free = replace(Prices(), parts_change=0.0)
    worth = [
        suggested(compared("wet", 15.0), money=replace(MONEY, prices=free, scale=SeasonScale({"wet": t}, 0.5)))[
            "worth"
        ][0]
        for t in (0.0, 10_000.0, 20_000.0)
    ]
    assert worth[0] == 0.0
    assert worth[2] == pytest.approx(2 * worth[1])
