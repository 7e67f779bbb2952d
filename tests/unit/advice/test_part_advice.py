"""Fitted parts for the days ahead: advised if a comparison suffices, else shown with the trial that would settle it."""

import datetime as dt
from dataclasses import replace
from typing import Any

import numpy as np
import polars as pl
import pytest

from tests.unit.advice.test_topping_advice import AT
from transforms.advice.moves import Situation
from transforms.advice.part_advice import PART_ADVICE_SCHEMA, PartDay, PartRules, PartTrialSize, advise_parts
from transforms.advice.part_evidence import FleetParts, clean_t_per_shift
from transforms.advice.shrinkage import DRAWS
from transforms.config.response_catalogue import DIRT, ROOT_LOSS
from transforms.config.workspace import AdviceRules, Prices
from transforms.model.fitted_parts import PART_SCHEMA

MONDAY = dt.date(2025, 11, 3)
FORECAST_OF = ("dry", "dry", "dry", "wet", "wet", "wet")
"""Wetness classes from Monday to Saturday."""
SIZE = PartTrialSize(12.0, 14, 3150.0)
RULES = PartRules(Prices(), AdviceRules(), lambda _: SIZE, seed=1)


def situation() -> Situation:
    ratio = np.full(DRAWS, 0.15)
    kmh = {"ground_speed_kmh": 6.0}
    loss = np.full(DRAWS, 2.0)
    return Situation("M1", "F1", MONDAY, kmh, {}, "dry", "heavy", ratio, loss, AT, 0.2, "forecast")


def days(classes: tuple[str, ...] = FORECAST_OF) -> list[PartDay]:
    return [PartDay(MONDAY + dt.timedelta(days=k), c, 1.5 if c == "wet" else 0.7) for k, c in enumerate(classes)]


def compared(wetness_class: str | None, change_pct: float, response: str = DIRT, **changed: Any) -> dict[str, Any]:
    """Return a comparison on six machines: the change of the response with bars instead of tines."""
    ends = {"lo95": change_pct - 4, "hi95": change_pct + 4}
    row = {
        "response": response,
        "place": "cleaner_1",
        "part": "bars",
        "compared_with": "tines",
        "wetness_class": wetness_class,
        "change_pct": change_pct,
        **ends,
        "machines": 6,
        "n": 200,
        "pairs": None,
        "wetness_gap": 0.02,
        "reason_code": "part_confounded",
        "reason_args": "{}",
    }
    return {**row, **changed}


NO_LOSS = compared(None, 0.0, ROOT_LOSS)
TINES_WHEN_WET = [compared("wet", 20.0), compared("dry", -6.0), compared("moist", 0.0), NO_LOSS]
"""Bars leave a fifth more dirt on wet days and less on dry ones; root loss is the same."""


def fleet(effects: list[dict[str, Any]], now: str = "bars", generation: str = "two") -> FleetParts:
    start = dt.datetime(2025, 9, 1, tzinfo=dt.UTC)
    later = start + dt.timedelta(days=9)
    setups = pl.DataFrame(
        {
            "machine_id": ["M1", "M1", "M2", "M2"],
            "valid_from_at": [start, later, start, later],
            "generation": ["two", "two", generation, generation],
            "cleaner_1_elements": ["tines", now, "tines", "bars"],
        }
    )
    return FleetParts(setups, pl.DataFrame(effects, schema=PART_SCHEMA), {"M1": 400.0}, "Europe/Prague")


def advised(of_fleet: FleetParts, ahead: list[PartDay] | None = None, rules: PartRules = RULES) -> pl.DataFrame:
    return advise_parts(of_fleet, [(situation(), days() if ahead is None else ahead)], rules)


def test_tines_are_advised_from_the_first_wet_day_on():
    row = advised(fleet(TINES_WHEN_WET)).row(0, named=True)
    assert (row["verdict"], row["reason_code"]) == ("fit", "part_between_visits")
    assert (row["place"], row["part_now"], row["part"]) == ("cleaner_1", "bars", "tines")
    assert row["from_date"] == MONDAY + dt.timedelta(days=3)
    assert row["to_date"] == MONDAY + dt.timedelta(days=5)
    assert row["change_pct"] == pytest.approx(100 * (1 / 1.2 - 1))
    assert row["lo95"] < row["change_pct"] < row["hi95"] < 0


def test_the_gain_by_hand():
    """Three days of 400 t: dirt ratio 0.15 * 1.5, a sixth of it saved; the workshop is paid once."""
    row = advised(fleet(TINES_WHEN_WET)).row(0, named=True)
    p = Prices()
    soil = p.freight_per_t_km * AT.haul_km + p.soil_handling_per_t + p.soil_disposal_per_t
    saved = 3 * 400 * 0.225 * (1 - 1 / 1.2) * soil
    assert row["gain"] + row["workshop_cost"] == pytest.approx(saved, rel=0.15)
    assert row["workshop_cost"] == p.parts_change
    assert row["gain_lo95"] < row["gain"] < row["gain_hi95"]
    assert row["clean_t"] == 1200.0


def test_a_change_that_does_not_pay_for_the_workshop_is_not_shown():
    dear = replace(RULES, prices=replace(Prices(), parts_change=5_000.0))
    assert advised(fleet(TINES_WHEN_WET), rules=dear).height == 0
    assert advised(fleet(TINES_WHEN_WET), days(("dry", "dry"))).height == 0


def test_bars_are_advised_back_for_dry_days():
    cheap = replace(RULES, prices=replace(Prices(), parts_change=10.0))
    row = advised(fleet(TINES_WHEN_WET, now="tines"), days(("dry",) * 6), cheap).row(0, named=True)
    assert (row["part_now"], row["part"], row["from_date"]) == ("tines", "bars", MONDAY)


WET_GAP: dict[str, Any] = {"reason_code": "part_confounded_wetness", "wetness_gap": -0.3}


@pytest.mark.parametrize(
    ("effects", "code"),
    [
        ([compared("wet", 20.0, **WET_GAP), compared("dry", -6.0), NO_LOSS], "part_wet_weather"),
        ([compared("wet", 20.0), compared("dry", -6.0)], "part_loss_unknown"),
        ([compared("wet", 20.0, lo95=-2.0, hi95=42.0), compared("dry", -6.0), NO_LOSS], "part_unsure"),
        ([compared("wet", 20.0, n=12), compared("dry", -6.0), NO_LOSS], "part_unsure"),
    ],
)
def test_a_comparison_that_is_not_enough_asks_for_a_trial(effects, code):
    row = advised(fleet(effects)).row(0, named=True)
    assert (row["verdict"], row["reason_code"]) == ("trial", code)
    asked: list[float] = []

    def size(change_pct: float) -> PartTrialSize:
        asked.append(change_pct)
        return SIZE

    sized = advised(fleet(effects), rules=replace(RULES, trial_size=size)).row(0, named=True)
    assert (sized["trial_detect_pct"], sized["trial_pairs"], sized["trial_cost"]) == (12.0, 14, 3150.0)
    assert asked == pytest.approx([100 * (1 / 1.2 - 1)])


def by_lot(wetness_class: str, change_pct: float, pairs: int = 12) -> dict[str, Any]:
    """Return a comparison by pairs of days of one machine's trial."""
    why = {"reason_code": "part_by_lot", "reason_args": f'{{"pairs": {pairs}}}'}
    return compared(wetness_class, change_pct, machines=1, pairs=pairs, wetness_gap=None, **why)


def test_a_trial_makes_advice_of_a_comparison_that_was_confounded():
    confounded = [compared("wet", 20.0, **WET_GAP), NO_LOSS]
    wet = days(("wet",) * 6)
    assert advised(fleet(confounded), wet)["verdict"].to_list() == ["trial"]
    row = advised(fleet([by_lot("wet", 20.0), NO_LOSS]), wet).row(0, named=True)
    assert (row["verdict"], row["reason_code"], row["machines"]) == ("fit", "part_by_lot", 1)
    assert row["lo95"] == pytest.approx(100 * (1 / 1.24 - 1), abs=0.5)


def test_advice_that_rests_on_both_kinds_of_days_says_so():
    row = advised(fleet([by_lot("wet", 20.0), compared("dry", 16.0), NO_LOSS])).row(0, named=True)
    assert (row["verdict"], row["reason_code"]) == ("fit", "part_between_visits")


@pytest.mark.parametrize(
    "effects",
    [
        [compared("dry", -6.0), NO_LOSS],
        [compared(None, 20.0), NO_LOSS],
        [{**compared("wet", 20.0), "change_pct": None, "lo95": None, "hi95": None, "machines": 1}, NO_LOSS],
        [],
    ],
)
def test_parts_that_were_not_compared_on_such_days_are_not_advised(effects):
    """Neither days of another class nor all days together say what a part does on wet days."""
    found = advised(fleet(effects), days(("wet", "wet")))
    assert found.schema == PART_ADVICE_SCHEMA
    assert found.height == 0


def test_a_part_that_no_machine_of_the_generation_had_is_not_advised():
    effects = [compared("wet", 20.0, compared_with="stars"), compared("dry", -6.0, compared_with="stars"), NO_LOSS]
    assert advised(fleet(effects)).height == 0


def test_without_a_forecast_nothing_is_advised():
    assert advised(fleet(TINES_WHEN_WET), []).height == 0


def test_clean_beet_of_a_shift_is_the_mean_over_shifts():
    day = dt.date(2025, 10, 1)
    facts = pl.DataFrame(
        {
            "machine_id": ["M1", "M1", "M1", None],
            "shift_date": [day, day, day + dt.timedelta(days=1), day],
            "delivered_t": [20.0, 20.0, 30.0, 10.0],
            DIRT: [10.0, None, 20.0, 15.0],
        }
    )
    assert clean_t_per_shift(facts) == {"M1": pytest.approx((20 * 0.9 + 20 * 0.85 + 30 * 0.8) / 2)}
