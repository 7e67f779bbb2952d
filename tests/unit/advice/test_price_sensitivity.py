"""Dependence of the advice on assumed prices, checked by computing the gain again at the break-even price."""

from dataclasses import replace
from typing import Any

import numpy as np
import polars as pl
import pytest

from transforms.advice.cost import CropAndHaul, cost_parts
from transforms.advice.price_sensitivity import PLAUSIBLE, PriceSensitivity, price_sensitivity
from transforms.config.workspace import Prices

PRICES = Prices()
AT = CropAndHaul(yield_t_ha=70.0, haul_km=PRICES.haul_km, width_m=3.0)
EVERY = ("freight_per_t_km", "haul_km", "soil_handling_per_t", "soil_disposal_per_t", "beet_per_t", "sugar_per_t")
CAUSES = ("soil", "roots", "pile", "hours", "tops")


def outcome(ratio: float, loss: float, prices: Prices = PRICES) -> dict[str, float]:
    parts = cost_parts(ratio, loss, 6.0, 6.0, AT, prices)
    return {c: float(np.mean(getattr(parts, c))) for c in CAUSES}


def move(
    machine: str, before: tuple[float, float], after: tuple[float, float], prices: Prices = PRICES
) -> dict[str, Any]:
    was, becomes = outcome(*before, prices), outcome(*after, prices)
    parts = {f"gain_{c}_per_t": was[c] - becomes[c] for c in CAUSES}
    return {"machine_id": machine, "verdict": "move", "move_number": 1, **parts}


def sensitivity(
    rows: list[dict[str, Any]], soil_free_t: dict[str, float], assumed: tuple[str, ...] = EVERY
) -> PriceSensitivity:
    found = price_sensitivity(pl.DataFrame(rows), soil_free_t, PRICES, assumed)
    assert found is not None
    return found


def test_the_first_move_pays_nothing_at_the_price_that_is_named():
    dirtier_but_fewer_roots_left = move("M1", (0.08, 2.4), (0.10, 2.2))
    turn = sensitivity([dirtier_but_fewer_roots_left], {"M1": 500.0}, ("beet_per_t",)).break_even
    assert turn is not None
    assert turn.cause == "roots"
    assert turn.stops_below
    at = replace(PRICES, beet_per_t=turn.price)
    again = move("M1", (0.08, 2.4), (0.10, 2.2), at)
    assert sum(again[f"gain_{c}_per_t"] for c in CAUSES) == pytest.approx(0, abs=1e-9)
    cheaper = move("M1", (0.08, 2.4), (0.10, 2.2), replace(at, beet_per_t=at.beet_per_t * 0.9))
    assert sum(cheaper[f"gain_{c}_per_t"] for c in CAUSES) < 0


def test_a_move_that_gains_on_every_cause_has_no_break_even():
    found = sensitivity([move("M1", (0.09, 2.4), (0.08, 2.3))], {"M1": 500.0})
    assert (found.is_order_at_risk, found.break_even) == (False, None)


def test_the_order_is_at_risk_if_a_plausible_price_puts_another_machine_first():
    saves_soil, saves_roots = move("M1", (0.12, 2.0), (0.09, 2.0)), move("M2", (0.1, 2.4), (0.1, 1.9))
    advice = [saves_soil, saves_roots]
    gain = {r["machine_id"]: sum(r[f"gain_{c}_per_t"] for c in CAUSES) for r in (saves_soil, saves_roots)}
    close = {"M1": 100.0, "M2": 100.0 * gain["M1"] / gain["M2"] * 0.95}
    far = {"M1": 100.0, "M2": 100.0 * gain["M1"] / gain["M2"] * 0.2}
    assert sensitivity(advice, close).is_order_at_risk
    assert not sensitivity(advice, far).is_order_at_risk
    assert PLAUSIBLE[0] < 1 < PLAUSIBLE[1]


def test_nothing_is_said_without_moves_or_without_assumed_prices():
    row = move("M1", (0.12, 2.0), (0.09, 2.0))
    assert price_sensitivity(pl.DataFrame([row]), {"M1": 1.0}, PRICES, ()) is None
    hold = pl.DataFrame([{**row, "verdict": "hold"}])
    assert price_sensitivity(hold, {"M1": 1.0}, PRICES, EVERY) is None
