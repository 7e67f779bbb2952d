"""Stops of trucks beside machines and at sites, at any interval of their positions."""

import datetime as dt
from typing import Any

import polars as pl
import pytest

from transforms.geo import metres_per_degree
from transforms.trace.truck_stops import truck_stops

START = dt.datetime(2025, 10, 14, 8, tzinfo=dt.UTC)
LAT, LON = 50.0, 14.4
EAST, NORTH = metres_per_degree(LAT)
NONE = pl.DataFrame(schema={"machine_id": pl.String, "started_at": pl.Datetime("us", "UTC")})
FILLED = (20, 28)
"""Minutes in which the truck is beside the machine: it waits from minute 12 on, and the machine comes to it."""
YARD = (LAT + 10_000 / NORTH, LON)


def degrees(x: float, y: float) -> tuple[float, float]:
    return LAT + y / NORTH, LON + x / EAST


def machine_bins(machine: str = "M1", y: float = 0.0, minutes: int = 60) -> pl.DataFrame:
    """Bins of a machine that lifts away from the field's edge, and is back at it from minute 20 to 28."""
    rows = []
    for k in range(2 * minutes):
        minute = k / 2
        x = 10.0 if FILLED[0] <= minute < FILLED[1] else 10.0 + 90 * min(abs(minute - b) for b in FILLED)
        lat, lon = degrees(x, y)
        rows.append((machine, START + dt.timedelta(seconds=30 * k), lat, lon, None if x < 20 else "F1"))
    return pl.DataFrame(rows, schema=["machine_id", "bin_at", "lat_deg", "lon_deg", "field_id"], orient="row")


def place(minute: float) -> tuple[float, float]:
    """Place of the truck: it comes from the yard at 36 km/h, waits from minute 12 to 30, and drives back."""
    away = max(0.0, 12 - minute, minute - 30) * 600
    return degrees(0.0, min(away, 10_000))


def positions(interval_s: float, offset_s: float = 0.0, truck: str = "T1", minutes: int = 60) -> pl.DataFrame:
    n = int(minutes * 60 / interval_s)
    at = [(offset_s + interval_s * i) / 60 for i in range(n)]
    rows = [(truck, START + dt.timedelta(minutes=m), *place(m)) for m in at]
    return pl.DataFrame(rows, schema=["truck_id", "logged_at", "lat_deg", "lon_deg"], orient="row")


def minutes_of(stop: dict[str, Any]) -> tuple[float, float]:
    arrived, left = ((stop[c] - START).total_seconds() / 60 for c in ("arrived_at", "left_at"))
    return arrived, left


@pytest.mark.parametrize("interval_s", [5, 15, 30, 60, 120, 300])
@pytest.mark.parametrize("offset_s", [0, 7, 130])
def test_a_stop_is_found_at_any_interval(interval_s, offset_s):
    (stop,) = truck_stops(positions(interval_s, offset_s), machine_bins(), NONE, {}).to_dicts()
    assert (stop["truck_id"], stop["machine_id"], stop["field_id"], stop["site_id"]) == ("T1", "M1", "F1", None)
    assert minutes_of(stop) == pytest.approx(FILLED, abs=1.01)
    assert stop["distance_m"] == pytest.approx(10, abs=2)


def test_a_truck_beside_another_machine_is_told_apart():
    bins = pl.concat([machine_bins(), machine_bins("M2", y=120)])
    found = truck_stops(positions(60), bins, NONE, {})
    assert found["machine_id"].to_list() == ["M1"]


def test_a_truck_that_only_passes_at_the_road_has_no_stop():
    far = machine_bins(y=-200)
    assert truck_stops(positions(60), far, NONE, {}).height == 0


def test_nothing_is_known_while_a_log_is_silent():
    log = positions(60).filter(pl.col("logged_at") < START + dt.timedelta(minutes=11))
    later = positions(60).filter(pl.col("logged_at") >= START + dt.timedelta(minutes=40))
    assert truck_stops(pl.concat([log, later]), machine_bins(), NONE, {}).height == 0


def test_a_tracker_that_sleeps_while_the_truck_stands_keeps_its_stop():
    asleep = positions(60).filter(
        ~pl.col("logged_at").is_between(START + dt.timedelta(minutes=13.5), START + dt.timedelta(minutes=29.5))
    )
    (stop,) = truck_stops(asleep, machine_bins(), NONE, {}).to_dicts()
    assert minutes_of(stop) == pytest.approx(FILLED, abs=1.01)


def test_two_fillings_are_two_stops():
    bins = pl.concat([machine_bins(), machine_bins().with_columns(pl.col("bin_at") + dt.timedelta(hours=2))])
    first = positions(60)
    log = pl.concat([first, first.with_columns(pl.col("logged_at") + dt.timedelta(hours=2))])
    assert [round(minutes_of(s)[0]) for s in truck_stops(log, bins, NONE, {}).to_dicts()] == [20, 140]


def test_stops_at_a_site_reach_from_the_first_to_the_last_position_in_the_yard():
    found = truck_stops(positions(60, minutes=90), machine_bins().clear(), NONE, {"N": YARD, "S": degrees(50_000, 0)})
    assert found["site_id"].to_list() == ["N"]
    assert minutes_of(found.row(0, named=True)) == pytest.approx((46, 89), abs=1)


def test_no_positions_no_stops():
    assert truck_stops(positions(60).clear(), machine_bins(), NONE, {"N": YARD}).height == 0
    assert truck_stops(positions(60), machine_bins().clear(), NONE, {}).height == 0


def test_positions_and_bins_in_any_order_give_the_same_stops():
    bins = pl.concat([machine_bins(), machine_bins("M2", y=20)])
    log = pl.concat([positions(60), positions(60, 20, "T2")])
    first = truck_stops(log, bins, NONE, {"N": YARD})
    again = truck_stops(_shuffled(log), _shuffled(bins), NONE, {"N": YARD})
    assert first.equals(again)
    assert set(first["machine_id"].drop_nulls()) == {"M1", "M2"}


@pytest.mark.parametrize("ahead_min", [0, 11, -7])
def test_a_machine_whose_clock_is_wrong_is_timed_by_its_own_clock(ahead_min):
    """Twelve fillings, each at another place, so that a wrong clock finds the truck where it no longer is."""
    bins, log, starts = [], [], []
    for k in range(12):
        shift, up = pl.lit(dt.timedelta(minutes=60 * k)), 300 * k / NORTH
        moved = pl.col("lat_deg") + up
        by_own_clock = pl.col("bin_at") + shift + dt.timedelta(minutes=ahead_min)
        bins.append(machine_bins().with_columns(by_own_clock, moved))
        log.append(positions(60).with_columns(pl.col("logged_at") + shift, moved))
        starts.append(START + dt.timedelta(minutes=60 * k + FILLED[0] + ahead_min))
    emptied = pl.DataFrame({"machine_id": "M1", "started_at": starts}).with_columns(
        pl.col("started_at").dt.cast_time_unit("us")
    )
    stops = truck_stops(pl.concat(log), pl.concat(bins), emptied, {})
    found = [minutes_of(s) for s in stops.to_dicts()]
    assert found == [pytest.approx([60 * k + m + ahead_min for m in FILLED], abs=1.01) for k in range(12)]


def _shuffled(frame: pl.DataFrame) -> pl.DataFrame:
    return frame.sample(fraction=1, shuffle=True, seed=1)
