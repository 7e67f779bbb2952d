import datetime as dt
import json
from dataclasses import replace
from types import SimpleNamespace
from typing import cast

import numpy as np
import polars as pl
import pytest

from reports.language.display_units import DisplayUnits
from reports.language.precision import rounded_setting
from transforms.advice.advice_rows import _move_reason, advise_machine
from transforms.advice.cost import CropAndHaul, cost_parts, cost_per_t
from transforms.advice.move_effects import MoveEffects
from transforms.advice.moves import AdvisedMove, Situation, allowed_steps
from transforms.advice.posterior import Slopes
from transforms.advice.shrinkage import DRAWS
from transforms.config.response_catalogue import DIRT, ROOT_LOSS
from transforms.config.workspace import AdviceRules, Prices, init_workspace, season_template
from transforms.contracts.reason import codes_of

AT = CropAndHaul(yield_t_ha=75.0, haul_km=20.0, width_m=3.0)
PRICES, RULES = Prices(), AdviceRules()


def situation(**tried: tuple[float, float, int]) -> Situation:
    now = {"share_depth_cm": 7.0, "cleaner_1_speed_rpm": 36.0, "ground_speed_kmh": 6.0, "share_drive_pct": 50.0}
    return Situation("M1", "F1", dt.date(2025, 10, 9), now, tried, "wet", "heavy", 0.15, 2.0, AT, 0.8, "as now")


def slopes(**mean_and_sd: tuple[float, float]) -> Slopes:
    rng = np.random.default_rng(1)
    return Slopes(list(mean_and_sd), np.column_stack([rng.normal(m, s, DRAWS) for m, s in mean_and_sd.values()]))


def advised(where: Situation, dirt: Slopes, loss: Slopes | None, catalogue) -> pl.DataFrame:
    effects = MoveEffects({DIRT: dirt} if loss is None else {DIRT: dirt, ROOT_LOSS: loss})
    return advise_machine(where, effects, catalogue, PRICES, RULES)


def test_cost_adds_soil_roots_pile_and_hours():
    """By hand: 0.1 t soil at 0.11*20+4+6; 1.5 t/ha of 75 at 38 + 2.4 of quality; 30 days at 6 C; 320 an hour."""
    parts = cost_parts(0.1, 1.5, 6.0, 6.0, replace(AT, sugar_pct=17.0), PRICES)
    assert parts.soil == pytest.approx(0.1 * 12.2)
    assert parts.roots == pytest.approx(1.5 / 75 * 40.4)
    assert parts.hours == pytest.approx(320 / (0.1 * 6 * 3 * 0.75 * 75))
    a_day = 5 / 42 * np.exp(np.log(9 / 5) / 4.1 * 0.5)
    more = (1 + 3 * (0.02 / 0.11)) / (1 + 3 * (0.015 / 0.11)) + 0.01 * (10 / 1.1) + 0.015 * 4
    assert parts.pile == pytest.approx(30 * a_day * more * 550 / 1000)
    assert cost_per_t(0.1, 1.5, 6.0, 6.0, replace(AT, sugar_pct=17.0), PRICES) == pytest.approx(parts.total)


def test_slower_costs_its_hours_and_faster_earns_nothing():
    now, slower, faster = (float(cost_per_t(0.1, 1.5, v, 6.0, AT, PRICES)) for v in (6.0, 5.0, 7.0))
    assert slower > now
    assert faster == now


def test_a_sure_gain_is_advised_inside_what_was_tried(catalogue):
    where = situation(cleaner_1_speed_rpm=(30.0, 40.0, 80))
    table = advised(
        where, slopes(cleaner_1_speed_rpm=(-0.05, 0.005)), slopes(cleaner_1_speed_rpm=(0.005, 0.002)), catalogue
    )
    row = table.row(0, named=True)
    assert (row["verdict"], row["from_value"], row["to_value"]) == ("move", 36.0, 39.0)
    assert row["probability_better"] > 0.99
    assert row["gain_lo95"] < row["gain_per_t"] < row["gain_hi95"]
    assert row["dirt_lo95"] < row["dirt_change_pct"] < row["dirt_hi95"] < 0
    assert row["n"] == 80


@pytest.mark.parametrize(
    ("name", "step", "slope"),
    [
        ("share_depth_cm", 2.54 / 4, -0.05),
        ("share_depth_cm", 2.54 / 4, 0.05),
        ("separator_1_height_mm", 25.4 / 8, -0.05),
        ("separator_1_height_mm", 25.4 / 8, 0.05),
        ("ground_speed_kmh", 1.609344 / 4, -0.05),
    ],
)
def test_advice_of_a_season_in_us_units_moves_by_us_steps(tmp_path, name, step, slope):
    text = season_template().replace('units = "metric"', 'units = "us"')
    catalogue = init_workspace(tmp_path / "w", text).season.catalogue
    where = situation(**{name: (0.1, 99.0, 80)})
    where.settings["separator_1_height_mm"] = 50.0
    still = slopes(**{name: (0.0001, 0.00005)})
    row = advised(where, slopes(**{name: (slope, 0.002)}), still, catalogue).row(0, named=True)
    assert (row["verdict"], row["setting"]) == ("move", name)
    steps = (row["to_value"] - row["from_value"]) / step
    assert steps == pytest.approx(round(steps), abs=1e-9)
    assert steps * slope < 0
    shown, setting = DisplayUnits("us", "USD", "UTC"), catalogue[name]
    before, after = (rounded_setting(row[v], setting, shown)[0] for v in ("from_value", "to_value"))
    assert after - before == pytest.approx(steps * shown.straight(setting.unit)[0] * step, abs=0.051)


def test_nothing_is_advised_outside_what_was_tried(catalogue):
    assert allowed_steps("cleaner_1_speed_rpm", situation(cleaner_1_speed_rpm=(35.0, 37.0, 80)), catalogue, 2) == []
    assert allowed_steps("cleaner_1_speed_rpm", situation(), catalogue, 2) == []
    assert allowed_steps("cleaner_1_speed_rpm", situation(cleaner_1_speed_rpm=(29.9, 60.0, 80)), catalogue, 2) == [
        -2,
        -1,
        1,
        2,
    ]


def test_an_unsure_gain_is_a_trial_and_no_gain_is_hold(catalogue):
    where = situation(share_drive_pct=(30.0, 70.0, 80))
    assert advised(where, slopes(share_drive_pct=(-0.03, 0.06)), None, catalogue)["verdict"].to_list() == ["try"]
    hold = advised(where, slopes(share_drive_pct=(0.0, 0.0001)), None, catalogue)
    assert hold["verdict"].to_list() == ["hold"]
    assert hold["reason_code"][0] == "no_change_better"
    untried = advised(situation(), slopes(share_drive_pct=(-0.1, 0.01)), None, catalogue)
    assert untried["reason_code"][0] == "advice_too_few_loads"
    assert json.loads(untried["reason_args"][0]) == {"soil_class": "heavy", "wetness_class": "wet"}


def test_a_setting_that_may_break_roots_is_not_moved_where_no_audit_tells(catalogue):
    where = situation(share_depth_cm=(5.0, 9.0, 80), share_drive_pct=(30.0, 70.0, 80))
    dirt = slopes(share_depth_cm=(0.08, 0.005), share_drive_pct=(-0.02, 0.002))
    assert advised(where, dirt, None, catalogue)["setting"].to_list() == ["share_drive_pct"]
    other = slopes(cleaner_1_speed_rpm=(0.0, 0.01))
    assert advised(where, dirt, other, catalogue)["setting"].to_list() == ["share_drive_pct"]


def test_a_trade_off_is_said(catalogue):
    where = situation(share_depth_cm=(5.0, 9.0, 80))
    table = advised(where, slopes(share_depth_cm=(0.08, 0.005)), slopes(share_depth_cm=(-0.01, 0.005)), catalogue)
    assert table["to_value"][0] < 7.0
    assert codes_of(*table.select("reason_code", "reason_args").row(0)) == ["move_in_conditions", "roots_for_dirt"]
    assert json.loads(table["reason_args"][0])["n"] == 80


@pytest.mark.parametrize(
    ("dirt", "loss", "codes"),
    [(0.02, -0.03, ["dirt_for_roots"]), (0.02, 0.0, []), (-0.02, 0.03, ["roots_for_dirt"]), (-0.02, 0.0, [])],
)
def test_dirt_is_said_to_be_for_roots_only_if_roots_are_saved(dirt, loss, codes):
    outcome = SimpleNamespace(quality_pct={"damaged": None})
    move = SimpleNamespace(dirt=np.full(4, dirt), loss=np.full(4, loss), before=outcome, after=outcome, relied=None)
    why = _move_reason(cast("AdvisedMove", move), situation(), 80)
    assert codes_of(why.columns["reason_code"], why.columns["reason_args"])[1:] == codes


def test_at_most_three_moves_each_counted_after_those_before(catalogue):
    names = ["share_drive_pct", "cleaner_1_speed_rpm", "share_depth_cm", "ground_speed_kmh"]
    where = situation(**dict.fromkeys(names, (0.1, 99.0, 80)))
    dirt = slopes(**dict.fromkeys(names, (-0.06, 0.003)))
    none = slopes(**dict.fromkeys(names, (0.0, 0.0005)))
    table = advised(where, dirt, none, catalogue)
    assert table.height == 3
    assert table["gain_per_t"].to_list() == sorted(table["gain_per_t"].to_list(), reverse=True)
    assert table["total_gain_per_t"][0] == pytest.approx(table["gain_per_t"].sum())


def test_levels_run_on_from_move_to_move_and_the_parts_add_up_to_the_gain(catalogue):
    names = ["share_drive_pct", "cleaner_1_speed_rpm", "share_depth_cm"]
    where = situation(**dict.fromkeys(names, (0.1, 99.0, 80)))
    table = advised(
        where,
        slopes(**dict.fromkeys(names, (-0.06, 0.003))),
        slopes(**dict.fromkeys(names, (0.02, 0.0005))),
        catalogue,
    )
    parts = pl.sum_horizontal("gain_soil_per_t", "gain_roots_per_t", "gain_pile_per_t", "gain_hours_per_t")
    assert table.select(parts).to_series().to_list() == pytest.approx(table["gain_per_t"].to_list())
    assert (table["gain_soil_per_t"] > 0).all()
    assert (table["gain_roots_per_t"] < 0).all()
    for level in ("dirt_{}_pct", "root_loss_{}_t_ha"):
        assert table[level.format("before")][1:].to_list() == table[level.format("after")][:-1].to_list()
    assert table["move_number"].to_list() == [1, 2, 3]
    first = table.row(0, named=True)
    assert first["dirt_before_pct"] == pytest.approx(100 * where.dirt_ratio / (1 + where.dirt_ratio))
    assert first["root_loss_before_t_ha"] == pytest.approx(where.root_loss_t_ha)
    relative = first["root_loss_after_t_ha"] / first["root_loss_before_t_ha"] - 1
    assert 100 * relative == pytest.approx(first["root_loss_change_pct"], rel=0.01)


def test_root_loss_is_left_empty_where_no_audit_is_fitted_and_a_machine_on_hold_keeps_its_levels(catalogue):
    where = situation(share_drive_pct=(30.0, 70.0, 80))
    hold = advised(where, slopes(share_drive_pct=(0.0, 0.0001)), None, catalogue).row(0, named=True)
    assert hold["verdict"] == "hold"
    assert hold["root_loss_before_t_ha"] is hold["root_loss_after_t_ha"] is None
    assert hold["dirt_before_pct"] == hold["dirt_after_pct"] is not None
