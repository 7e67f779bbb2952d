"""Fitted parts as choices of what-if questions: only where they were compared, with the interval of the comparison."""

import datetime as dt
import json
from typing import Any

import numpy as np
import polars as pl
import pytest

from tests.unit.advice.test_part_advice import compared
from tests.unit.model.test_no_variation import hand_made
from transforms.advice.part_evidence import FleetParts
from transforms.advice.what_if import Answer, WhatIfQuery, answer_query
from transforms.advice.what_if_parts import part_choices, parts_of_place
from transforms.config.response_catalogue import DIRT, ROOT_LOSS
from transforms.contracts.classes import WETNESS_CLASSES
from transforms.errors import WorkspaceError
from transforms.model.fitted_parts import PART_SCHEMA

START = dt.date(2025, 10, 1)
MOIST, DRY, WET = 0.5, 0.2, 0.8
LOSS = compared(None, 10.0, ROOT_LOSS)


def fleet(effects: list[dict[str, Any]], **columns: list[str]) -> FleetParts:
    """Return a fleet of three machines of which the first changes its parts after ten days."""
    at = [dt.datetime(2025, 9, 1, tzinfo=dt.UTC), dt.datetime(2025, 10, 11, tzinfo=dt.UTC)]
    setups = pl.DataFrame({"machine_id": ["M1", "M1", "M2", "M3"], "valid_from_at": [*at, at[0], at[0]], **columns})
    return FleetParts(setups, pl.DataFrame(effects, schema=PART_SCHEMA), {}, "Europe/Prague")


ONE_PLACE = {"cleaner_1_elements": ["tines", "bars", "bars", "bars"]}
TWO_PLACES = {**ONE_PLACE, "cleaner_2_elements": ["bars", "bars", "tines", "bars"]}


def rows() -> pl.DataFrame:
    """Return the loads of twenty days, one for each machine and day."""
    days = [START + dt.timedelta(days=k) for k in range(20)]
    return pl.DataFrame({"machine_id": ["M1", "M2", "M3"] * 20, "shift_date": [d for d in days for _ in range(3)]})


def table_of(parts: FleetParts, responses: list[str], min_loads: int = 30) -> dict[str, Any]:
    choices = part_choices(parts, rows(), responses, min_loads)
    table = hand_made([70.0, 80.0])
    tried = {f"{wet}|medium": table["tried"]["moist|medium"] for wet in WETNESS_CLASSES}
    return {**table, "tried": tried, "parts": json.loads(json.dumps(choices))}


def answer(table: dict[str, Any], wetness: float, **parts: str) -> Answer:
    return answer_query(table, WhatIfQuery(wetness, 25.0, 9.0, 75.0, {}, parts))


def test_the_usual_part_is_that_of_most_loads_and_others_are_choices_where_compared():
    table = table_of(fleet([compared("moist", 20.0), LOSS], **ONE_PLACE), [DIRT, ROOT_LOSS])
    assert parts_of_place(table, "cleaner_1") == ["bars", "tines"]
    found = table["parts"]["places"]["cleaner_1"]["choices"]["tines"]
    assert list(found) == ["moist"]
    assert set(found["moist"]["draws"]) == {DIRT, ROOT_LOSS}
    assert parts_of_place(table, "cleaner_2") == []


def test_a_part_changes_dirt_by_the_estimate_and_interval_of_its_comparison():
    table = table_of(fleet([compared("moist", 20.0)], **ONE_PLACE), [DIRT])
    usual, tines = answer(table, MOIST), answer(table, MOIST, cleaner_1="tines")
    assert answer(table, MOIST, cleaner_1="bars") == usual
    shown = table["parts"]["places"]["cleaner_1"]["choices"]["tines"]["moist"]
    # The comparison is of bars with tines: +20 % (16 to 24) of dirt over clean, so tines have a sixth less.
    half = (np.log1p(0.24) - np.log1p(0.16)) / 2
    expected = [100 * np.expm1(-np.log1p(0.2) + k * half) for k in (0, -1, 1)]
    assert [shown[c] for c in ("change_pct", "lo95", "hi95")] == pytest.approx(expected)
    ratios = [v / (100 - v) * 9 for v in tines.dirt_pct]
    assert ratios == pytest.approx([1 + e / 100 for e in expected], abs=0.003)
    assert tines.saved_per_t.mean > 0
    assert tines.saved_per_t.lo95 < tines.saved_per_t.mean < tines.saved_per_t.hi95


def test_other_responses_take_all_days_and_without_a_comparison_stay_as_they_are():
    table = table_of(fleet([compared("moist", 20.0), LOSS], **ONE_PLACE), [DIRT, ROOT_LOSS, "damaged_pct"])
    found = table["parts"]["places"]["cleaner_1"]["choices"]["tines"]["moist"]
    assert found["uncompared"] == ["damaged_pct"]
    table["responses"][ROOT_LOSS] = {**table["responses"][DIRT], "z": 0.0}
    bars, tines = answer(table, MOIST), answer(table, MOIST, cleaner_1="tines")
    assert bars.root_loss_t_ha is not None
    assert tines.root_loss_t_ha is not None
    ratio = (tines.root_loss_t_ha.mean + 0.05) / (bars.root_loss_t_ha.mean + 0.05)
    assert ratio == pytest.approx(1 / 1.1, abs=0.002)


@pytest.mark.parametrize(("wetness", "parts"), [(WET, {"cleaner_1": "tines"}), (MOIST, {"cleaner_1": "brushes"})])
def test_nothing_is_answered_for_parts_that_were_not_compared(wetness, parts):
    table = table_of(fleet([compared("moist", 20.0), compared("dry", -5.0)], **ONE_PLACE), [DIRT])
    with pytest.raises(WorkspaceError):
        answer(table, wetness, **parts)
    assert answer(table, DRY, cleaner_1="tines").dirt_pct.mean > answer(table, DRY).dirt_pct.mean


def test_a_place_without_choices_and_a_table_without_parts_refuse_parts():
    assert answer(hand_made([70.0, 80.0]), MOIST).n == 40
    for table in (hand_made([70.0, 80.0]), table_of(fleet([], **ONE_PLACE), [DIRT])):
        with pytest.raises(WorkspaceError):
            answer(table, MOIST, cleaner_1="tines")


def test_too_few_loads_or_machines_give_no_choice_except_by_lot():
    few, two_machines = compared("moist", 20.0, n=29), compared("moist", 20.0, machines=2)
    one_machine = {**few, "n": 200, "change_pct": None, "lo95": None, "hi95": None}
    for effect in (few, two_machines, one_machine):
        assert parts_of_place(table_of(fleet([effect], **ONE_PLACE), [DIRT]), "cleaner_1") == []
    by_lot = compared("moist", 20.0, machines=2, pairs=9, reason_code="part_by_lot")
    assert parts_of_place(table_of(fleet([by_lot], **ONE_PLACE), [DIRT]), "cleaner_1") == ["bars", "tines"]


def test_parts_that_no_machine_had_together_are_named():
    effects = [compared("moist", 20.0), compared("moist", 8.0, place="cleaner_2")]
    table = table_of(fleet(effects, **TWO_PLACES), [DIRT])
    assert answer(table, MOIST, cleaner_1="tines").untried == ()
    together = answer(table, MOIST, cleaner_1="tines", cleaner_2="tines")
    assert [why.code for why in together.untried] == ["parts_not_together"]


def test_parts_of_all_stages_take_the_place_of_those_of_single_stages():
    columns = {"cleaning_elements": ONE_PLACE["cleaner_1_elements"], **ONE_PLACE}
    effects = [compared("moist", 20.0), compared("moist", 20.0, place="cleaning")]
    assert list(table_of(fleet(effects, **columns), [DIRT])["parts"]["places"]) == ["cleaning"]
