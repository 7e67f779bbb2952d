"""Causes of offsets: a queue is not a wrong clock, and only an impossible order of events proves a clock wrong."""

import datetime as dt

import numpy as np
import polars as pl
import pytest

from reports.sections.clock_offsets import offset_lines
from tests.unit.trace.test_trace import bins, signals, tickets, work
from transforms.storage.warehouse import Warehouse
from transforms.trace.lag_model import LagModel
from transforms.trace.lag_samples import SAMPLE, lag_samples
from transforms.trace.offset_cause import CLOCK, HAUL_OR_CLOCK, QUEUE_OR_CLOCK

DAY = dt.date(2025, 10, 1)
WEIGHED = dt.datetime(2025, 10, 3, 9, tzinfo=dt.UTC)


def offsets(
    sites: dict[str, float],
    machines: dict[str, float],
    *,
    km: float = 12.0,
    left: dict[str, float | None] | None = None,
) -> pl.DataFrame:
    """Offsets learnt from ten days on which lags differ by the given minutes; `left` is from full to the departure."""
    rng = np.random.default_rng(3)
    rows = [
        {
            "field_id": f"{site}{machine}",
            "shift_date": DAY + dt.timedelta(days=d),
            "machine_id": machine,
            "site_id": site,
            "km": km,
            "n": 30,
            "lag_min": 14 + 1.45 * km + a + b + float(rng.normal(0, 2)),
            "lag_spread_min": 4.0,
            "leave_min": 3.0,
            "leave_spread_min": 1.0,
            "leave_n": 20,
            "drive_spread_min": 3.0,
            "drive_n": 20,
            "closure": 1.0,
            "has_signal": True,
            "full_to_left_min": None if left is None else left.get(machine, 3.0),
        }
        for d in range(10)
        for site, a in sites.items()
        for machine, b in machines.items()
    ]
    return LagModel(pl.DataFrame(rows, schema=SAMPLE)).offsets()


def found(table: pl.DataFrame) -> dict[str, str]:
    return dict(table.filter("corrected").select("subject_id", "cause_code").iter_rows())


SITES = {"north": 0.0, "south": 0.0, "west": 0.0}
MACHINES = {f"M{i}": 0.0 for i in range(1, 6)}


def test_a_queue_of_fourteen_minutes_is_not_a_wrong_clock():
    table = offsets(SITES | {"east": 14.0}, MACHINES)
    assert found(table) == {"east": QUEUE_OR_CLOCK}
    (row,) = table.filter("corrected").iter_rows(named=True)
    assert row["lo95"] < 14 < row["hi95"]
    assert table.filter(~pl.col("corrected"))["cause_code"].null_count() == table.height - 1


def test_a_weighbridge_that_weighs_before_a_truck_can_arrive_has_a_wrong_clock():
    assert found(offsets(SITES | {"east": -45.0}, MACHINES)) == {"east": CLOCK}
    # Sooner than the others is possible: the others may have the queue.
    assert found(offsets(SITES | {"east": -9.0}, MACHINES)) == {"east": QUEUE_OR_CLOCK}


def test_a_machine_without_departures_on_its_tickets_may_have_other_trucks():
    assert found(offsets(SITES, MACHINES | {"M9": -11.0})) == {"M9": HAUL_OR_CLOCK}
    assert found(offsets(SITES, MACHINES | {"M9": 20.0})) == {"M9": HAUL_OR_CLOCK}


def test_loads_that_leave_before_the_tank_is_emptied_prove_a_machine_clock_wrong():
    ahead = MACHINES | {"M9": -11.0}
    assert found(offsets(SITES, ahead, left={"M9": -8.0})) == {"M9": CLOCK}
    assert found(offsets(SITES, ahead, left={"M9": 3.0})) == {"M9": HAUL_OR_CLOCK}
    # A fleet whose tickets give an earlier moment as the departure is not a fleet of wrong clocks.
    assert found(offsets(SITES, ahead, left=dict.fromkeys(ahead, -8.0))) == {"M9": HAUL_OR_CLOCK}


def test_loads_weighed_before_a_truck_can_arrive_prove_a_machine_clock_wrong_but_not_at_a_wrong_weighbridge():
    assert found(offsets(SITES, MACHINES | {"M9": -40.0})) == {"M9": CLOCK}
    only_wrong = offsets(SITES | {"east": -45.0}, MACHINES)
    assert found(only_wrong) == {"east": CLOCK}


def test_the_departure_is_counted_from_the_emptying_of_the_load_itself():
    full = [10.0 * k for k in range(1, 9)]
    loads = tickets([32.0] * 8, full)
    early = loads.with_columns((pl.col("weighed_at") - dt.timedelta(minutes=60)).alias("left_field_at"))
    by_machine, by_drive = lag_samples(work(bins("M1", 80), {"M1": signals(10, 80)}, early)).iter_rows(named=True)
    assert by_drive["machine_id"] is None
    reported = by_machine
    assert reported["full_to_left_min"] == pytest.approx(reported["lag_min"] - 60, abs=0.5)
    assert reported["full_to_left_min"] < 0 <= reported["leave_min"]


def stored(warehouse: Warehouse, cause: str, kind: str = "site", minutes: float = 14.0) -> dict[str, object]:
    """The picture row of a load whose weighbridge or machine has an offset."""
    row = {
        "source_sha256": "a",
        "line": 1,
        "load_id": "L1",
        "revision": 0,
        "cancelled": False,
        "field_id": "F1",
        "site_id": "east",
        "weighed_at": WEIGHED,
        "delivered_t": 30.0,
    }
    warehouse.append("received_load", pl.DataFrame([row]))
    file = {
        "source_sha256": "a",
        "file": "a.csv",
        "file_at": WEIGHED,
        "header": "",
        "rows_in": 1,
        "rows_accepted": 1,
        "rows_rejected": 0,
        "rows_repeated": 0,
        "received_at": WEIGHED,
    }
    warehouse.append("source_file", pl.DataFrame([file]))
    setting = {"load_id": "L1", "field_id": "F1", "machine_id": "M9", "lifted_at": WEIGHED}
    warehouse.store("load_setting", pl.DataFrame([setting]))
    offset = {
        "subject_kind": kind,
        "subject_id": "east" if kind == "site" else "M9",
        "from_date": DAY,
        "to_date": DAY + dt.timedelta(days=9),
        "offset_min": minutes,
        "lo95": minutes - 4,
        "hi95": minutes + 4,
        "n": 300,
        "corrected": True,
        "cause_code": cause,
    }
    warehouse.append("clock_offset", pl.DataFrame([offset]))
    return warehouse.query("load_traced", load_id="L1").row(0, named=True)


def test_a_queue_does_not_move_the_weighing_time(tmp_path):
    with Warehouse(tmp_path / "w.duckdb") as warehouse:
        row = stored(warehouse, QUEUE_OR_CLOCK)
        assert row["weighed_true_at"] == WEIGHED
        assert (row["site_ahead_min"], row["site_later_min"]) == (0, 14)
        (line,) = offset_lines(warehouse.query("clock_finding"))
        assert "later than the others by 14 min (10 to 18)" in line


def test_a_wrong_clock_moves_the_weighing_time(tmp_path):
    with Warehouse(tmp_path / "w.duckdb") as warehouse:
        row = stored(warehouse, CLOCK, minutes=-45.0)
        assert row["weighed_true_at"] == WEIGHED + dt.timedelta(minutes=45)
        assert (row["site_ahead_min"], row["site_later_min"]) == (-45, 0)
        (line,) = offset_lines(warehouse.query("clock_finding"))
        assert "behind by 45 min (41 to 49)" in line


def test_other_trucks_do_not_move_the_times_of_a_machine(tmp_path):
    with Warehouse(tmp_path / "w.duckdb") as warehouse:
        row = stored(warehouse, HAUL_OR_CLOCK, kind="machine", minutes=11.0)
        assert (row["machine_ahead_min"], row["machine_sooner_min"]) == (0, 11)
