"""Advice is kept for every shift as it was last given before the shift, and compared with what was done."""

import datetime as dt

import polars as pl
import pytest

from transforms.contracts.result_tables.advice import Advice, GivenAdvice
from transforms.storage.given_advice import GIVEN_ADVICE, store_given_advice
from transforms.storage.warehouse import Warehouse

DAY = dt.date(2025, 10, 9)
NEXT = DAY + dt.timedelta(days=1)
DAWN, NOON = (dt.datetime(2025, 10, 9, h, tzinfo=dt.UTC) for h in (4, 12))
SETTING = "cleaner_1_speed_rpm"


def advice(*moves: tuple[str, float, float], shift_date: dt.date = DAY, verdict: str = "move") -> pl.DataFrame:
    rows = [
        {
            "machine_id": machine,
            "shift_date": shift_date,
            "verdict": verdict,
            "setting": SETTING,
            "from_value": from_value,
            "to_value": to_value,
            "unit": "rpm",
            "reason_code": "move_in_conditions",
            "reason_args": "{}",
        }
        for machine, from_value, to_value in moves
    ]
    return pl.DataFrame(rows, schema_overrides={"shift_date": pl.Date})


def facts(*loads: tuple[str, str, dt.date, float | None]) -> pl.DataFrame:
    schema = {"load_id": pl.String, "machine_id": pl.String, "shift_date": pl.Date, SETTING: pl.Float64}
    return pl.DataFrame(loads, schema=schema, orient="row")


@pytest.fixture
def warehouse():
    with Warehouse.in_memory() as opened:
        yield opened


def set_facts(warehouse: Warehouse, rows: pl.DataFrame) -> None:
    """Replace the mart, whose columns depend on the catalogue."""
    warehouse._con.register("facts_now", rows)
    warehouse._con.execute("create or replace table load_fact as select * from facts_now")
    warehouse._con.unregister("facts_now")


def test_the_columns_are_those_of_advice_and_the_time(warehouse):
    assert warehouse.columns(GIVEN_ADVICE) == [*warehouse.columns("advice"), "given_at"]
    assert warehouse._schema(GIVEN_ADVICE)["given_at"] == pl.Datetime("us", "UTC")
    assert list(GivenAdvice.columns()) == [*Advice.columns(), "given_at"]


def test_the_latest_run_before_a_shift_replaces_its_advice_and_no_other(warehouse):
    set_facts(warehouse, facts())
    store_given_advice(warehouse, advice(("M1", 30.0, 40.0), ("M2", 30.0, 40.0)), DAWN)
    store_given_advice(warehouse, advice(("M1", 30.0, 40.0), shift_date=NEXT), DAWN)
    store_given_advice(warehouse, advice(("M1", 35.0, 45.0)), NOON)
    kept = warehouse.table(GIVEN_ADVICE).sort("shift_date")
    assert kept.select("shift_date", "from_value", "given_at").rows() == [(DAY, 35.0, NOON), (NEXT, 30.0, DAWN)]


def test_advice_for_a_shift_with_loads_stays_as_it_was_given(warehouse):
    set_facts(warehouse, facts())
    store_given_advice(warehouse, advice(("M1", 30.0, 40.0)), DAWN)
    set_facts(warehouse, facts(("L1", "M1", DAY, 40.0)))
    store_given_advice(warehouse, advice(("M1", 99.0, 100.0)), NOON)
    store_given_advice(warehouse, advice(("M1", 40.0, 42.0), shift_date=NEXT), NOON)
    kept = warehouse.table(GIVEN_ADVICE).sort("shift_date")
    assert kept.select("shift_date", "from_value", "given_at").rows() == [(DAY, 30.0, DAWN), (NEXT, 40.0, NOON)]


def test_a_change_is_followed_if_the_machine_went_at_least_half_way(warehouse):
    set_facts(warehouse, facts())
    moves = advice(("M1", 30.0, 40.0), ("M2", 40.0, 30.0), ("M3", 30.0, 40.0), ("M10", 30.0, 40.0), ("M4", 30.0, 40.0))
    store_given_advice(warehouse, pl.concat([moves, advice(("M1", 1.0, 2.0), verdict="try")]), DAWN)
    loads = facts(
        ("L1", "M1", DAY, 34.0),
        ("L2", "M1", DAY, 36.0),
        ("L3", "M2", DAY, 36.0),
        ("L4", "M3", DAY, 20.0),
        ("L5", "M4", DAY, None),
        ("L6", "M1", NEXT, 99.0),
    )
    set_facts(warehouse, loads)
    expected = [
        ("L1", 8.0, 7.0, 5.0, 9.0, 7.0),
        ("L2", 10.0, 8.0, 6.0, 10.0, 8.0),
        ("L6", 50.0, 50.0, 40.0, 60.0, 50.0),
    ]
    columns = warehouse.columns("expected_load")
    warehouse.append("expected_load", pl.DataFrame(expected, schema=columns, orient="row"))
    shown = warehouse.query("advice_followed", shift_date=DAY)
    assert shown.select("machine_id", "mean_value", "followed", "n", "measured").rows() == [
        ("M1", 35.0, True, 2, 2),
        ("M2", 36.0, False, 1, 0),
        ("M3", 20.0, False, 1, 0),
        ("M4", None, None, 1, 0),
        ("M10", None, None, 0, 0),
    ]
    assert shown.row(0, named=True) | {"observed_pct": 9.0, "expected_pct": 7.5, "unit": "rpm"} == shown.row(
        0, named=True
    )
