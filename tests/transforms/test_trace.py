import datetime as dt

import numpy as np
import polars as pl
import pytest

from transforms.trace.align import left_when, overlaps
from transforms.trace.assign import split_loads
from transforms.trace.clocks import fit_lags, machine_clocks
from transforms.trace.streams import Stream, build_streams
from transforms.trace.trace import trace_loads
from transforms.trace.unloads import find_unloads

START = dt.datetime(2025, 10, 1, 6, tzinfo=dt.UTC)
FIELD = pl.DataFrame(
    {"field_id": ["F1"], "lat_deg": [50.0], "lon_deg": [15.0], "area_ha": [20.0], "yield_t_ha": [80.0]}
)
SITES = {"north": (50.1, 15.0)}


def bins(machine: str, minutes: int, *, start: dt.datetime = START, skip: range = range(0)) -> pl.DataFrame:
    """One machine at 1.6 t a bin, all in one field."""
    kept = [i for i in range(minutes * 2) if i not in skip]
    return pl.DataFrame({
        "machine_id": machine,
        "bin_at": pl.Series([start + dt.timedelta(seconds=30 * i) for i in kept]).dt.cast_time_unit("us"),
        "state": "working",
        "area_ha": 0.02,
        "field_id": "F1",
    })  # fmt: skip


def unloads(machine: str, every_min: int, minutes: int) -> pl.DataFrame:
    at = [START + dt.timedelta(minutes=m) for m in range(every_min, minutes + 1, every_min)]
    started = pl.Series(at, dtype=pl.Datetime("us", "UTC"))
    return pl.DataFrame({"machine_id": [machine] * len(at), "started_at": started, "ended_at": started})


def tickets(gross: list[float], weighed_min: list[float], machine: list[str | None] | None = None) -> pl.DataFrame:
    at = pl.Series([START + dt.timedelta(minutes=m) for m in weighed_min]).dt.cast_time_unit("us")
    return pl.DataFrame(
        {
            "load_id": [f"L{i}" for i in range(len(gross))],
            "field_id": "F1",
            "machine_id": machine or [None] * len(gross),
            "site_id": "north",
            "left_field_at": pl.Series([None] * len(gross), dtype=pl.Datetime("us", "UTC")),
            "weighed_at": at,
            "gross_t": gross,
        }
    )


def traced(table: pl.DataFrame, events: pl.DataFrame, loads: pl.DataFrame):
    return trace_loads(table, events, FIELD, loads, SITES, "UTC", dt.time(3))


def test_overlaps_cut_batches_at_load_edges():
    load, batch, mass = overlaps(np.array([10.0, 20.0, 10.0]), np.array([0.0, 15.0, 40.0]))
    assert list(zip(load.tolist(), batch.tolist(), mass.tolist(), strict=True)) == [
        (0, 0, 10.0), (0, 1, 5.0), (1, 1, 15.0), (1, 2, 10.0),
    ]  # fmt: skip


def test_edges_outside_the_batches_meet_nothing():
    load, _, mass = overlaps(np.array([10.0]), np.array([-5.0, 5.0, 25.0]))
    assert mass.tolist() == [5.0, 5.0]
    assert load.tolist() == [0, 1]


def test_left_when_names_the_batch_that_completes_the_mass():
    at = np.array([100, 200, 300])
    assert left_when(np.array([10.0, 10.0, 10.0]), at, np.array([5.0, 10.0, 10.5, 99.0])).tolist() == [
        100,
        100,
        200,
        300,
    ]


def test_shares_follow_the_emptied_tanks_and_sum_to_one():
    found = traced(bins("M1", 40), unloads("M1", 10, 40), tickets([64.0, 64.0], [60, 80]))
    shares = found.load_trace.filter(pl.col("load_id") == "L0")
    assert shares["share"].sum() == pytest.approx(1.0)
    assert shares["bin_at"].max() < START + dt.timedelta(minutes=20)
    assert found.load_trace.filter(pl.col("load_id") == "L1")["bin_at"].min() >= START + dt.timedelta(minutes=20)


def test_a_stirred_tank_gives_every_bin_of_it_the_same_share():
    found = traced(bins("M1", 40), unloads("M1", 20, 40), tickets([32.0, 32.0, 64.0], [50, 60, 80]))
    first = found.load_trace.filter(pl.col("load_id") == "L0")
    assert first.height == 40
    assert first["share"].to_numpy() == pytest.approx(np.full(40, 1 / 40))


def test_what_a_silent_log_hides_is_an_explicit_remainder():
    found = traced(bins("M1", 40, skip=range(30, 50)), unloads("M1", 10, 40), tickets([64.0, 64.0], [60, 80]))
    rest = found.load_trace.filter(pl.col("bin_at").is_null())
    assert rest["machine_id"].null_count() == rest.height
    assert rest["share"].sum() == pytest.approx(2 * 20 / 80, abs=0.1)
    total = found.load_trace.group_by("load_id").agg(pl.col("share").sum())["share"]
    assert total.to_numpy() == pytest.approx(np.ones(2))


def test_a_load_without_telemetry_is_kept_whole_as_untraced():
    found = traced(
        bins("M1", 40), unloads("M1", 10, 40), tickets([30.0], [3 * 1440]).with_columns(field_id=pl.lit("F9"))
    )
    assert found.load_trace.select("bin_at", "share").row(0) == (None, 1.0)
    assert found.grade["trace_quality"].to_list() == [0.0]
    assert "no telemetry" in found.grade["says"][0]


def test_without_tank_signals_the_mass_curve_is_followed():
    found = traced(bins("M1", 40), unloads("M1", 10, 0), tickets([64.0, 64.0], [60, 80]))
    first = found.load_trace.filter(pl.col("load_id") == "L0")
    assert first["bin_at"].max() < START + dt.timedelta(minutes=20, seconds=30)
    assert "logs no tank" in found.grade["says"][0]


def test_two_machines_share_a_field_by_the_tickets_that_name_them():
    both = pl.concat([bins("M1", 40), bins("M2", 40)])
    events = pl.concat([unloads("M1", 20, 40), unloads("M2", 20, 40)])
    loads = tickets([64.0, 64.0, 64.0, 64.0], [50, 51, 75, 76], ["M1", "M2", None, "M2"])
    found = traced(both, events, loads)
    machine = dict(found.load_trace.group_by("load_id").agg(pl.col("machine_id").first()).iter_rows())
    assert machine == {"L0": "M1", "L1": "M2", "L2": "M1", "L3": "M2"}


def test_a_ticket_that_names_a_machine_that_was_not_there_stays_untraced():
    found = traced(bins("M1", 40), unloads("M1", 10, 40), tickets([64.0, 64.0], [60, 80], ["M1", "M7"]))
    grade = dict(found.grade.select("load_id", "trace_quality").iter_rows())
    assert grade["L1"] == 0.0
    assert grade["L0"] > 0


def test_a_heap_is_spread_over_all_that_lay_there():
    found = traced(bins("M1", 40), unloads("M1", 10, 40), tickets([64.0, 64.0], [4 * 1440, 4 * 1440 + 30]))
    assert found.load_trace.group_by("load_id").len()["len"].to_list() == [80, 80]
    assert "heap" in found.grade["says"][0]


def test_gaps_are_not_invented_over_the_night():
    second_day = bins("M1", 40, start=START + dt.timedelta(days=1))
    streams = build_streams(pl.concat([bins("M1", 40), second_day]), unloads("M1", 10, 0), FIELD, "UTC", dt.time(3))
    assert [round(s.lifted_t, 3) for s in streams] == [128.0, 128.0]


def stream(machine: str, *left_min: int) -> Stream:
    at = np.array([60_000_000 * m for m in left_min])
    return Stream(machine, "F1", START.date(), pl.DataFrame(), np.full(at.size, 30.0), at, has_signal=True)


def test_loads_go_to_the_slot_nearest_in_time_on_corrected_clocks():
    fast, right = stream("fast", 31, 61), stream("right", 27, 57)
    left = np.array([20, 27, 50, 57]) * 60_000_000
    nameless: list[str | None] = [None] * 4
    given = split_loads([fast, right], left, np.full(4, 30.0), nameless, {"fast": 11 * 60_000_000}, 3.0)
    assert given.tolist() == [0, 1, 0, 1]
    uncorrected = split_loads([fast, right], left, np.full(4, 30.0), nameless, {}, 3.0)
    assert uncorrected.tolist() == [1, 0, 1, 0]


def test_a_named_machine_is_never_overruled():
    left = np.full(3, 1_200_000_000)
    given = split_loads([stream("a", 20, 40), stream("b", 20, 40)], left, np.full(3, 30.0), ["b", "b", "x"], {}, 3.0)
    assert given.tolist() == [1, 1, -1]


def test_lags_and_a_clock_that_is_ahead_are_found():
    rng = np.random.default_rng(1)
    machine = np.repeat(["M1", "M2", "M3"], 60)
    km = rng.uniform(5, 25, 180)
    lag = 12 + 1.5 * km + rng.normal(0, 3, 180) - np.where(machine == "M3", 11.0, 0.0)
    samples = pl.DataFrame({"machine_id": machine, "site_id": "north", "km": km, "lag_min": lag})
    clocks = machine_clocks(samples, fit_lags(samples))
    found = dict(clocks.select("machine_id", "offset_min").iter_rows())
    assert found["M3"] == pytest.approx(11, abs=1.5)
    assert clocks.filter("corrected")["machine_id"].to_list() == ["M3"]


def records(tank: list[float | None], flag: list[float | None]) -> pl.DataFrame:
    at = pl.Series([START + dt.timedelta(seconds=10 * i) for i in range(len(tank))]).dt.cast_time_unit("us")
    return pl.DataFrame(
        {"machine_id": "M1", "logged_at": at, "tank_t": tank, "unloading": flag},
        schema_overrides={"tank_t": pl.Float64, "unloading": pl.Float64},
    )


FILLS_AND_FALLS = [*np.linspace(0, 18, 60), *np.linspace(18, 0, 9), *np.linspace(0, 18, 60), *np.linspace(18, 0, 9)]


def test_unloads_are_seen_in_the_tank_level():
    events = find_unloads(records(FILLS_AND_FALLS, [None] * len(FILLS_AND_FALLS)), 18.0)
    assert events["found_by"].to_list() == ["level", "level"]
    assert (events["started_at"][0] - START).total_seconds() == pytest.approx(600, abs=20)


def test_a_flag_goes_before_the_level():
    flag = [0.0] * 50 + [1.0] * 5 + [0.0] * (len(FILLS_AND_FALLS) - 55)
    events = find_unloads(records(FILLS_AND_FALLS, flag), 18.0)
    assert events.select("found_by").rows() == [("flag",)]
    assert (events["started_at"][0] - START).total_seconds() == 500


def test_a_machine_without_signals_gives_no_events():
    assert find_unloads(records([None] * 20, [None] * 20), 18.0).height == 0
