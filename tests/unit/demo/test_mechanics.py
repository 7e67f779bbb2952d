"""Mechanics of the demo: topping, damage, parts and direction respond as the trade knows them; two unlike types."""

from dataclasses import replace
from typing import Any

import numpy as np
import polars as pl
import pytest

from transforms.demo import topping
from transforms.demo.cleaning_parts import TINE_SHARE, fitted_parts, tines_by_day
from transforms.demo.district import MACHINE_TYPES
from transforms.demo.mechanics import Array, Ground, dirt_ratio, tip_loss_t_ha
from transforms.demo.operators import REACTION

CLEANERS = [f"cleaner_{k}_speed_rpm" for k in (1, 2, 3, 4)]


def typical(name: str) -> dict[str, Array]:
    """Return the typical settings of a machine type, as one interval of work."""
    return {s: np.array([float(mean)]) for s, (mean, _) in MACHINE_TYPES[name].settings.items()}


def ground(wetness: float = 0.5, clay: float = 0.24, root_kg: float = 0.8, **fitted: Any) -> Ground:
    """Return the conditions of one interval of work; `fitted` are parts, leaf and drop."""
    bare = Ground(*(np.array([v]) for v in (wetness, clay, 75.0, root_kg, 0.0)))
    return replace(bare, **fitted)


def test_the_two_machine_types_differ_in_rows_tank_and_stages_and_one_lacks_a_scalper():
    a, b = MACHINE_TYPES["A"], MACHINE_TYPES["B"]
    assert list(MACHINE_TYPES) == ["A", "B"]
    assert [sum(c in t.settings for c in CLEANERS) for t in (a, b)] == [2, 4]
    assert ["scalper_height_mm" in t.settings for t in (a, b)] == [True, False]
    assert a.rows != b.rows
    assert a.row_spacing_cm != b.row_spacing_cm
    assert b.tank_capacity_t > 1.5 * a.tank_capacity_t


@pytest.mark.parametrize(
    ("response", "rises", "falls"),
    [
        (topping.under_topped_share, {"root_kg": 1.0}, {"leaf": 0.8}),
        (topping.over_topped_share, {"root_kg": 0.6}, {"root_kg": 1.0}),
        (topping.top_tare_pct, {"leaf": 1.3}, {"leaf": 0.8}),
        (topping.damaged_share, {"drop_m": 2.0}, {"wetness": 0.9}),
        (topping.damaged_share, {"tines": 1.0}, {"tines": 0.0}),
        (tip_loss_t_ha, {"tines": 1.0}, {"tines": 0.0}),
    ],
)
@pytest.mark.parametrize("name", ["A", "B"])
def test_responses_rise_and_fall_with_root_size_leaf_drop_and_parts(response, rises, falls, name):
    usual = response(typical(name), ground())
    assert response(typical(name), ground(**rises)) > usual > response(typical(name), ground(**falls))


def test_a_low_scalper_leaves_less_leaf_and_cuts_more_roots_too_deep():
    high = typical("A")
    low = high | {"scalper_height_mm": high["scalper_height_mm"] - 10}
    for response in (topping.top_tare_pct, topping.under_topped_share):
        assert response(low, ground()) < response(high, ground())
    assert topping.over_topped_share(low, ground()) > 1.5 * topping.over_topped_share(high, ground())


def test_flails_alone_leave_more_leaf_and_cut_fewer_roots_too_deep():
    flailed = {s: v for s, v in typical("A").items() if s != "scalper_height_mm"}
    missing = flailed | {"scalper_height_mm": np.array([np.nan])}
    for without in (flailed, missing):
        assert topping.top_tare_pct(without, ground()) > topping.top_tare_pct(typical("A"), ground())
        assert topping.over_topped_share(without, ground()) < topping.over_topped_share(typical("A"), ground())


def test_speed_damages_and_each_stage_damages_more():
    usual = typical("B")
    for setting in ("ground_speed_kmh", *CLEANERS):
        faster = usual | {setting: usual[setting] * 1.2}
        assert topping.damaged_share(faster, ground()) > topping.damaged_share(usual, ground())


Case = tuple[dict[str, Array], float]


def changes_of_dirt(one: Case, other: Case) -> list[float]:
    """Return dirt of one case (settings, share of tines) over that of another, on moist clay and on dry sand."""
    ratios = (
        [dirt_ratio(settings, ground(w, clay, tines=tines)) for w, clay in ((0.5, 0.41), (0.1, 0.10))]
        for settings, tines in (one, other)
    )
    return [float((a / b)[0]) for a, b in zip(*ratios, strict=True)]


@pytest.mark.parametrize("name", ["A", "B"])
def test_tines_clean_sticky_clay_and_bars_clean_dry_soil(name):
    sticky, dry = changes_of_dirt((typical(name), 1.0), (typical(name), 0.0))
    assert sticky < 0.97
    assert dry > 1.03


def test_reversing_the_rear_roller_pays_on_sticky_clay_but_not_on_dry_soil():
    forward, reverse = (typical("B") | {"rear_roller_reversed": np.array([f])} for f in (0.0, 1.0))
    sticky, dry = changes_of_dirt((reverse, 0.5), (forward, 0.5))
    assert sticky < 0.97
    assert dry > 1.03


def test_neutral_parts_leaf_and_drop_change_nothing():
    bare = ground()
    assert dirt_ratio(typical("B"), replace(bare, tines=0.5)) == dirt_ratio(typical("B"), bare)
    assert topping.damaged_share(typical("B"), replace(bare, drop_m=1.0)) == topping.damaged_share(typical("B"), bare)


def test_operators_lift_deeper_where_less_depth_would_do():
    """Wet soil needs less depth: tips break where soil is hard. Habits go the other way."""
    shallow = typical("A") | {"share_depth_cm": np.array([7.0])}
    assert tip_loss_t_ha(shallow, ground(0.1)) > tip_loss_t_ha(shallow, ground(0.9))
    assert REACTION["share_depth_cm"][0] > 0


def test_parts_are_changed_some_days_after_the_soil_has_turned():
    wetness = np.r_[np.full(6, 0.3), np.full(10, 0.8), np.full(10, 0.3)]
    fitted = fitted_parts(wetness, machines=6)
    tines = tines_by_day(fitted, 6, wetness.size)
    changes = [f for f in fitted if f.from_day]
    assert {f.machine for f in changes} == {0, 2, 3, 5}
    assert all(f.from_day - 6 >= 1 for f in changes if f.parts == "tines")
    assert {f.parts for f in changes} == {"tines", "smooth bars"}
    for f in changes:
        assert tines[f.machine, f.from_day] == TINE_SHARE[f.parts] != tines[f.machine, f.from_day - 1]


def test_leaf_follows_the_temperature_of_the_last_days():
    hours = 24 * 15
    warm, cold = (topping.leaf_by_day(pl.DataFrame({"air_temp_c": [t] * hours}), 5, 10) for t in (14.0, 4.0))
    assert warm.shape == (5,)
    assert (warm > 1).all()
    assert (cold < 1).all()
