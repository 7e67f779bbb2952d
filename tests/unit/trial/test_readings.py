"""Readings of a trial: all responses measured on its loads, and the effect by the traced settings."""

import datetime as dt
import json

import numpy as np
import polars as pl
import pytest

from tests.unit.trial.test_trial import facts, trial
from transforms.config.response_catalogue import (
    DAMAGED,
    DIRT,
    OVER_TOPPED,
    ROOT_LOSS,
    TIP_LOSS,
    TOPS,
    UNDER_TOPPED,
    WHOLE_ROOT_LOSS,
)
from transforms.config.settings_catalogue import load_catalogue
from transforms.contracts.result_tables import schema_of
from transforms.trial.analysis import TrialEstimate, analyse_trial, find_loads
from transforms.trial.measurements import deciding_response, measured_responses
from transforms.trial.plan import Trial, draw_order
from transforms.trial.power import MIN_PAIRS

PLAN = trial(order=draw_order(8, 3))
IS_B = np.array([a == "B" for a in PLAN.order])


def read(plan: Trial, table: pl.DataFrame, **others: pl.DataFrame) -> dict[str, TrialEstimate]:
    loads = find_loads(plan, table)
    measured = measured_responses({"load_fact": table, **others}, loads["load_id"])
    return {e.response: e for e in analyse_trial(plan, loads, table, measured)}


def checks(table: pl.DataFrame) -> pl.DataFrame:
    """Two quality checks of each load, with half as many damaged roots per intact one in arm B."""
    one = pl.DataFrame(
        {
            "load_id": table["load_id"],
            "topping_checked_count": 100.0,
            "under_topped_count": np.where(IS_B, 20.0, 10.0),
            "over_topped_count": 5.0,
            "damage_checked_count": 100.0,
            "damaged_count": np.where(IS_B, 20.0, 100 / 3),
        }
    )
    return pl.concat([one, one])


def plots(table: pl.DataFrame) -> pl.DataFrame:
    """Plots of 20 m2 behind the machine, with a loss of tips that doubles in arm B."""
    tips = np.where(IS_B, 4.0, 2.0)
    return pl.DataFrame(
        {
            "load_id": table["load_id"],
            "plot_m2": 20.0,
            "tip_loss_t_ha": tips,
            "tip_loss_mass_each_kg": 0.02,
            "whole_root_loss_t_ha": 0.0,
            "whole_root_mass_each_kg": 0.4,
            "root_loss_t_ha": tips,
        }
    )


def test_every_response_that_the_loads_measure_is_read():
    table = facts(PLAN, -0.1).with_columns(pl.lit(6.0).alias(TOPS))
    found = read(PLAN, table, root_check_fact=checks(table), audit_fact=plots(table))
    names = [DIRT, ROOT_LOSS, TOPS, TIP_LOSS, WHOLE_ROOT_LOSS, UNDER_TOPPED, OVER_TOPPED, DAMAGED]
    assert list(found) == names
    assert all(e.pairs == 8 for e in found.values())
    assert found[DIRT].reason.code == "b_cleaner"
    assert found[TOPS].effect_pct == pytest.approx(0.0)
    assert found[TOPS].reason.code == "no_difference_shown"
    # Counts of both checks of a load are added, with half a root so that none is finite.
    odds = ((40 + 0.5) / (160 + 0.5)) / ((20 + 0.5) / (180 + 0.5))
    assert found[UNDER_TOPPED].effect_pct == pytest.approx(100 * (odds - 1))
    assert found[UNDER_TOPPED].reason.code == "b_higher"
    assert found[DAMAGED].reason.code == "b_lower"
    assert found[TIP_LOSS].effect_pct == pytest.approx(100 * (400.5 / 200.5 - 1))
    assert found[ROOT_LOSS].effect_pct == pytest.approx(100 * (4.05 / 2.05 - 1))
    assert found[WHOLE_ROOT_LOSS].effect_pct == pytest.approx(0.0)
    assert found[TIP_LOSS].p_value == pytest.approx(2 / 256)


def test_a_response_of_few_loads_has_its_reason_and_one_of_none_has_no_row():
    table = facts(PLAN, -0.1)
    found = read(PLAN, table, root_check_fact=checks(table).filter(pl.col("load_id") < "L08"))
    assert list(found) == [DIRT, UNDER_TOPPED, OVER_TOPPED, DAMAGED]
    few = found[DAMAGED]
    assert (few.pairs, few.effect_pct, few.reason.code) == (4, None, "trial_too_few_pairs")
    assert json.loads(few.reason.args) == {"measured": 4, "planned": 8, "needed": MIN_PAIRS}
    assert read(PLAN, table.with_columns(pl.lit(None, pl.Float64).alias(DIRT)))[DIRT].pairs == 0


def test_samples_that_were_picked_by_their_looks_do_not_count():
    table = facts(PLAN, -0.1).with_columns(
        pl.when(pl.col("load_id") == "L00").then(pl.lit("looks")).alias("sampling_reason")
    )
    assert read(PLAN, table)[DIRT].pairs == 7


def test_only_the_deciding_response_says_if_the_trial_may_stop():
    long = trial(order=draw_order(20, 1))
    table = facts(long, -0.4, 0.1).head(24)
    table = table.with_columns(pl.Series(TOPS, 10 * np.exp(np.where([a == "B" for a in long.order[:24]], 0.5, 0.0))))
    found = read(long, table)
    assert found[DIRT].stopping is not None
    assert found[DIRT].columns["stop_code"] == "trial_may_stop"
    assert found[TOPS].e_value > 50
    assert found[TOPS].columns["stop_code"] is None
    assert read(long, table.head(4))[DIRT].columns["stop_code"] == "trial_carry_on"
    assert read(PLAN, facts(PLAN, -0.1))[DIRT].columns["stop_code"] == "trial_ended"


def test_the_deciding_response_is_one_that_the_setting_may_affect():
    catalogue = load_catalogue()
    assert deciding_response(catalogue["share_depth_cm"]) == DIRT
    assert deciding_response(catalogue["scalper_height_mm"]) == TOPS


def test_rows_have_the_columns_of_their_table():
    row = read(PLAN, facts(PLAN, -0.1))[DIRT].columns
    head = {"trial_id", "machine_id", "field_id", "shift_date", "setting", "value_a", "value_b"}
    of_parts = {"part_a", "part_b", "wetness_class"}
    assert set(row) | head | of_parts == set(schema_of("trial_result"))


# --- traced settings


def diluted(share: float, **values: list[float]) -> pl.DataFrame:
    """A trial whose loads hold only a share of the mass lifted with their value; dirt follows the traced value."""
    a, b = PLAN.values
    middle = (a + b) / 2
    traced = [middle + share * (PLAN.value(i) - middle) for i in range(len(PLAN.order))]
    table = facts(PLAN, -0.2 * share).with_columns(pl.Series("cleaner_1_speed_rpm", traced))
    return table.with_columns(pl.Series(name, v, dtype=pl.Float64) for name, v in values.items())


def test_mass_from_elsewhere_dilutes_the_planned_reading_and_not_the_traced_one():
    found = read(PLAN, diluted(0.6))[DIRT]
    assert found.effect_pct == pytest.approx(100 * np.expm1(-0.12))
    assert found.traced.effect_pct == pytest.approx(100 * np.expm1(-0.2))
    assert found.traced.share == pytest.approx(0.6)
    assert (found.traced.pairs, found.traced.reason.code, found.reading_code) == (8, "trial_traced", "traced")


@pytest.mark.parametrize(("share", "reading"), [(0.51, "traced"), (0.49, "planned")])
def test_the_traced_reading_needs_half_of_the_planned_difference(share: float, reading: str):
    found = read(PLAN, diluted(share))[DIRT]
    assert found.reading_code == reading
    assert found.traced.reason.code == ("trial_traced" if reading == "traced" else "trial_traced_too_little")
    assert found.traced.share == pytest.approx(share)


def test_too_few_traced_pairs_leave_the_planned_reading():
    table = diluted(0.8)
    few = pl.when(pl.col("load_id") < "L10").then("cleaner_1_speed_rpm")
    found = read(PLAN, table.with_columns(few.alias("cleaner_1_speed_rpm")))[DIRT]
    assert (found.pairs, found.traced.pairs, found.reading_code) == (8, 5, "planned")
    assert found.traced.reason.code == "trial_not_traced"
    without = read(PLAN, table.drop("cleaner_1_speed_rpm"))[DIRT]
    assert (without.traced.pairs, without.traced.share, without.traced.reason.code) == (0, None, "trial_not_traced")


def test_doses_that_differ_too_much_between_pairs_leave_the_planned_reading():
    size = {f"{PLAN.trial_id}/{k + 1}": v for k, v in enumerate([3.0, 3.0, -1.0, -1.0, 3.0, -1.0, 3.0, -1.0])}
    traced = [37.5 + (v - 37.5) * size[f"T001/{i // 2 + 1}"] for i, v in enumerate(map(PLAN.value, range(16)))]
    found = read(PLAN, diluted(1.0, cleaner_1_speed_rpm=traced))[DIRT]
    assert (found.reading_code, found.traced.reason.code) == ("planned", "trial_traced_uneven")


def test_pairs_are_of_one_day():
    table = diluted(1.0)
    late = pl.when(pl.col("load_id") >= "L09").then(pl.lit(dt.date(2025, 10, 21))).otherwise("shift_date")
    found = read(PLAN, table.with_columns(late.alias("shift_date")))[DIRT]
    assert (found.pairs, found.traced.pairs) == (7, 7)
