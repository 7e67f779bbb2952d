import datetime as dt
from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from tests.unit.trace.test_trace import CLOCKS, START, TWO, bins, main, tickets, work
from transforms.trace.field_trace import trace_field
from transforms.trace.field_work import TracedFieldWork
from transforms.trace.trace_tables import FieldTrace
from transforms.trace.truck_sides import beside_weights

FULL = [10 * (k // 2 + 1) + 0.1 * (k % 2) for k in range(16)]
MACHINE = [m for _ in range(8) for m in ("M1", "M2")]
BOTH = pl.concat([bins("M1", 80), bins("M2", 80)])


def stops(rows: list[tuple[str, str, float, float]]) -> pl.DataFrame:
    at = [(k, m, *(START + dt.timedelta(minutes=t) for t in times)) for k, m, *times in rows]
    utc = pl.Datetime("us", "UTC")
    schema: dict[str, pl.DataType | type[pl.DataType]] = {
        "truck_id": pl.String,
        "machine_id": pl.String,
        "arrived_at": utc,
        "left_at": utc,
    }
    return pl.DataFrame(at, schema=schema, orient="row").with_columns(pl.lit(None, pl.String).alias("site_id"))


def loads(trucks: list[str | None], named: list[str | None] | None = None) -> pl.DataFrame:
    return tickets([32.0] * 16, FULL, named).with_columns(pl.Series("truck_id", trucks, dtype=pl.String))


def traced(one: TracedFieldWork) -> FieldTrace:
    return trace_field(one, {s.shift_date: CLOCKS for s in one.stretches})


def test_a_fill_is_where_truck_and_machine_are_side_by_side():
    trucks: list[str | None] = [f"K{k}" for k in range(16)]
    beside = stops([(f"K{k}", MACHINE[k], FULL[k] - 2, FULL[k] + 2) for k in range(16)])
    found = traced(replace(work(BOTH, TWO, loads(trucks)), stops=beside))
    assert main(found) == {f"L{k:02d}": MACHINE[k] for k in range(16)}
    assert found.grade["trace_quality"].min() > 0.6


def test_a_truck_that_passes_a_machine_between_its_emptyings_is_not_filled_there():
    trucks: list[str | None] = [f"K{k}" for k in range(16)]
    other = {"M1": "M2", "M2": "M1"}
    right = [(f"K{k}", MACHINE[k], FULL[k] - 1, FULL[k] + 1) for k in range(16)]
    passing = [(f"K{k}", other[MACHINE[k]], FULL[k] - 8, FULL[k] - 3) for k in range(16)]
    found = traced(replace(work(BOTH, TWO, loads(trucks)), stops=stops(right + passing)))
    assert main(found) == {f"L{k:02d}": MACHINE[k] for k in range(16)}


def test_stops_of_other_trucks_and_other_days_change_nothing():
    trucks: list[str | None] = [f"K{k}" for k in range(16)]
    plain = traced(work(BOTH, TWO, loads(trucks)))
    elsewhere = stops([("K99", "M1", 9, 11), ("K1", "M2", 1000, 1010)])
    found = traced(replace(work(BOTH, TWO, loads(trucks)), stops=elsewhere))
    assert found.load_trace.equals(plain.load_trace)


def test_columns_without_a_value_leave_the_trace_bit_identical():
    empty = [pl.lit(None, pl.String).alias(c) for c in ("truck_id", "trailer_id", "gang_id", "trip_id")]
    no_time = pl.lit(None, pl.Datetime("us", "UTC")).alias("tared_at")
    without = tickets([32.0] * 16, FULL)
    found = traced(work(BOTH, TWO, without.with_columns(*empty, no_time)))
    plain = traced(work(BOTH, TWO, without))
    assert found.load_trace.equals(plain.load_trace)
    assert found.grade.equals(plain.grade)


def test_a_truck_named_with_its_machine_once_shows_the_machine_of_its_other_loads():
    """Both machines empty their tanks in the same minutes, so only the trucks tell them apart."""
    trucks: list[str | None] = [f"K{MACHINE[k]}{k // 2 % 2}" for k in range(16)]
    named: list[str | None] = [MACHINE[k] if k < 8 else None for k in range(16)]
    found = main(traced(work(BOTH, TWO, loads(trucks, named))))
    assert np.mean([found[f"L{k:02d}"] == MACHINE[k] for k in range(8, 16)]) > 0.8


def test_minutes_beside_machines_are_weights():
    weights = beside_weights(["L1", "L2", "L3"], ["M1", "M2"], {"L1": {"M1": 3.0, "M2": 1.0}, "L3": {"M7": 2.0}})
    assert weights[0, 0] / weights[0, 1] == pytest.approx(3, rel=0.1)
    assert (weights[1:] == 1).all()
