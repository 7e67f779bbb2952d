"""Effects of settings on cost: ranked as by hand from the table of effects and the prices."""

import polars as pl
import pytest

from flows import stages
from tests.support.program import Demo
from transforms.advice import storage
from transforms.advice.cost import FIELD_EFFICIENCY, OVER_TOPPED_LOSS
from transforms.advice.cost_effects import cost_effects
from transforms.advice.what_if import WhatIfQuery, answer_query
from transforms.advice.what_if_table import read_table

ODDS = ("dirt_tare_pct", "top_tare_pct", "over_topped_pct", "damaged_pct")
"""Responses that change by their odds."""


@pytest.fixture(scope="module")
def effects(demo: Demo) -> pl.DataFrame:
    with stages.open_warehouse(demo.workspace) as warehouse:
        return warehouse.table("effect")


@pytest.fixture(scope="module")
def table(demo: Demo):
    return read_table(demo.workspace.what_if)


def share(odds: float) -> float:
    return odds / (1 + odds)


def cost_by_hand(table, odds: dict[str, float], lost: float, speed: float) -> float:
    """Return the cost per tonne written out in one line per cause; dirt, tops and counted roots as part over rest."""
    p, c, clean = table["prices"], table["crop"], table["at"]["yield_t_ha"]
    haul, dirt_ratio = p["freight_per_t_km"] * c["haul_km"] + p["soil_handling_per_t"], odds["dirt_tare_pct"]
    soil = dirt_ratio * (haul + p["soil_disposal_per_t"])
    points = 0.0 if c["sugar_pct"] is None else c["sugar_pct"] - p["sugar_standard_pct"]
    worth = p["beet_per_t"] + p["quality_per_point"] * points
    roots = lost / clean * worth
    tops = odds["top_tare_pct"] * (haul + p["tops_per_t"]) + OVER_TOPPED_LOSS * share(odds["over_topped_pct"]) * worth
    broken = min(lost / clean / storage.BREAK_FRACTION_AT_6_CM, 1.0)
    usual = 1 + (storage.DAMAGED_TIMES - 1) * storage.UNAVOIDABLE_BREAKAGE / storage.BREAK_FRACTION_AT_6_CM
    factor = (1 + (storage.DAMAGED_TIMES - 1) * broken) / usual
    factor += p["storage_dirt_pct"] * dirt_ratio / (1 + dirt_ratio) + p["storage_tops_pct"] * share(
        odds["top_tare_pct"]
    )
    factor += p["storage_damage_pct"] * share(odds["damaged_pct"])
    sound = p["storage_days"] * storage.healthy_loss_kg_per_t_day(p["storage_temp_c"])
    usual_speed = table["usual"]["ground_speed_kmh"]
    hours = p["machine_hour"] / (0.1 * min(speed, usual_speed) * c["width_m"] * FIELD_EFFICIENCY * clean)
    return float(soil + roots + tops + sound * factor * p["sugar_per_t"] / 1000 + hours)


def test_the_six_largest_effects_on_cost_are_those_by_hand(effects, table):
    at = {n: table["at"][n] for n in ("topsoil_wetness", "clay_pct", "air_temp_c", "yield_t_ha")}
    usual = answer_query(table, WhatIfQuery(**at, settings={}))
    assert usual.root_loss_t_ha is not None
    lost, speed = usual.root_loss_t_ha.mean, table["usual"]["ground_speed_kmh"]
    odds = {}
    for response in ODDS:
        answer = getattr(usual, "dirt_pct" if response == "dirt_tare_pct" else response)
        odds[response] = answer.mean / (100 - answer.mean)
    whole = effects.filter(pl.col("wetness_class").is_null(), pl.col("soil_class").is_null())
    base, by_hand = cost_by_hand(table, odds, lost, speed), {}
    for name, setting in table["settings"].items():
        rows = whole.filter(pl.col("setting") == name).rows_by_key("response", named=True, unique=True)
        factor = {r: 1 + (rows.get(r, {}).get("change_pct") or 0) / 100 for r in (*ODDS, "root_loss_t_ha")}
        step = setting["step"] if name == "ground_speed_kmh" else 0.0
        up = cost_by_hand(table, {r: odds[r] * factor[r] for r in ODDS}, lost * factor["root_loss_t_ha"], speed + step)
        down = cost_by_hand(
            table, {r: odds[r] / factor[r] for r in ODDS}, lost / factor["root_loss_t_ha"], speed - step
        )
        by_hand[name] = max(abs(up - base), abs(down - base))
    found = cost_effects(effects, table)
    assert found == pytest.approx(by_hand)
    assert list(found)[:6] == sorted(by_hand, key=lambda n: -by_hand[n])[:6]
    assert len(set(list(found)[:6]) & {"ground_speed_kmh", "share_depth_cm"}) == 2


def test_an_effect_that_is_not_estimated_changes_no_cost(effects, table):
    name = "share_depth_cm"
    unknown = effects.with_columns(change_pct=pl.when(pl.col("setting") != name).then("change_pct"))
    assert cost_effects(unknown, table)[name] == 0
    assert cost_effects(effects.filter(pl.col("setting") != name), table)[name] == 0
    only_classes = effects.filter(pl.col("wetness_class").is_not_null())
    assert cost_effects(only_classes, table)[name] == 0
