"""Moves that promise the opposite of the truth are found, for every priced response and for the gain."""

import numpy as np
import polars as pl
import pytest

from tests.support.advised_truth import CHANGES, contradictions, true_changes, true_gain
from transforms.config.response_catalogue import DAMAGED, DIRT, OVER_TOPPED, TOPS
from transforms.config.workspace import Prices

LOADS = 80
TRUTH = {TOPS: 0.03, OVER_TOPPED: -0.4, DAMAGED: 0.0}
"""True changes by a step of 5 mm up."""


@pytest.fixture
def by_load() -> pl.DataFrame:
    """Loads at scalper heights of 10 to 50 mm, with the same true effects on all of them."""
    columns = {r: np.full(LOADS, TRUTH.get(r, 0.0)) for r in CHANGES}
    place = {"topsoil_wetness": np.full(LOADS, 0.5), "clay_pct": np.full(LOADS, 20.0)}
    return pl.DataFrame({"value": np.linspace(10, 50, LOADS), **place, **columns}).with_columns(
        setting=pl.lit("scalper_height_mm")
    )


def move(
    to_value: float, gain: tuple[float, float] = (-0.1, 0.1), **promised: tuple[float, float]
) -> dict[str, object]:
    """Return a row of `advice`: the scalper is moved from 30 mm, with the promised intervals."""
    row: dict[str, object] = {"machine_id": "M01", "setting": "scalper_height_mm", "wetness": 0.5, "clay": 20.0}
    row |= {"from_value": 30.0, "to_value": to_value, "gain_lo95": gain[0], "gain_hi95": gain[1]}
    row |= {"tops_before_pct": 5.0, "over_topped_before_pct": 12.0, "damaged_before_pct": None}
    for name in CHANGES.values():
        row[f"{name}_lo95"], row[f"{name}_hi95"] = promised.get(name, (None, None))
    return row


def judged(row: dict[str, object], by_load: pl.DataFrame) -> tuple[list[str], float]:
    """Return what the truth denies of a move, and its true gain."""
    changes = true_changes(by_load, row, 5.0)
    gain = true_gain(row, changes, 0.1, Prices())
    found = contradictions(row, changes, gain)
    return [w.promise.split()[0] for kind in ("sign", "gain") for w in found[kind]], gain


def test_true_promises_are_not_denied(by_load):
    """A higher scalper cuts fewer roots too deep: worth more than the leaf that stays."""
    wrong, gain = judged(move(40.0, (0.05, 0.4), tops=(5.0, 15.0), over_topped=(-60.0, -30.0)), by_load)
    assert (wrong, gain > 0) == ([], True)


def test_a_wrong_sign_and_a_wrong_gain_of_topping_are_denied(by_load):
    row = move(20.0, (0.05, 0.4), tops=(5.0, 15.0), over_topped=(-60.0, -30.0))
    wrong, gain = judged(row, by_load)
    assert (wrong, gain < 0) == (["tops", "over_topped", "gain"], True)


def test_a_certain_effect_of_a_setting_that_does_nothing_is_denied(by_load):
    assert judged(move(40.0, damaged=(1.0, 9.0), dirt=(-9.0, -1.0)), by_load)[0] == ["dirt", "damaged"]
    assert judged(move(40.0, damaged=(-1.0, 9.0)), by_load)[0] == []


def test_the_gain_is_that_of_all_priced_responses(by_load):
    """Damage of the skin and dirt cost money as well."""
    row = move(40.0) | {"damaged_before_pct": 20.0}
    changes = true_changes(by_load, row, 5.0)
    gain = true_gain(row, changes, 0.1, Prices())
    for response in (DIRT, TOPS, OVER_TOPPED, DAMAGED):
        assert true_gain(row, changes | {response: changes[response] + 0.3}, 0.1, Prices()) < gain, response


def test_slower_driving_costs_hours():
    row = move(40.0) | {"setting": "ground_speed_kmh", "from_value": 6.0, "to_value": 5.0}
    assert true_gain(row, dict.fromkeys(CHANGES, 0.0), 0.1, Prices()) < 0
