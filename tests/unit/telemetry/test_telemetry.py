import datetime as dt
import json

import numpy as np
import polars as pl
import pytest

from transforms.telemetry.bins import add_state, field_of_places, make_bins
from transforms.telemetry.clock_jumps import remove_clock_jumps
from transforms.telemetry.sensor_faults import fault_stretches, flag_faults

START = dt.datetime(2025, 10, 1, 6, tzinfo=dt.UTC)
SETUP = {"rows_count": 6.0, "row_spacing_cm": 50.0}
FIELDS = pl.DataFrame(
    {
        "field_id": ["F1", "F2"],
        "lat_deg": [50.0, 50.02],
        "lon_deg": [15.0, 15.0],
        "area_ha": [25.0, 25.0],
        "boundary": [None, None],
    },
    schema_overrides={"boundary": pl.String},
)


def log(n: int, **columns: object) -> pl.DataFrame:
    """A machine lifting at 6 km/h, a record every 10 s, its sensors alive."""
    rng = np.random.default_rng(1)
    at = pl.Series([START + dt.timedelta(seconds=10 * i) for i in range(n)]).dt.cast_time_unit("us")
    base: dict[str, object] = {
        "machine_id": "M1",
        "logged_at": at,
        "lat_deg": 50.0 + np.arange(n) * 1e-6,
        "lon_deg": 15.0,
        "work_state": "working",
        "unloading": None,
        "tank_t": None,
        "ground_speed_kmh": 6.0 + rng.normal(0, 0.02, n),
        "share_depth_cm": 7.0 + rng.normal(0, 0.05, n),
        "cleaner_1_speed_rpm": 38 + rng.normal(0, 0.5, n),
        "cleaner_2_speed_rpm": 39 + rng.normal(0, 0.5, n),
    }
    return pl.DataFrame(base | columns)


def test_a_bin_is_thirty_seconds_of_area_distance_and_means(catalogue):
    bins, *_ = make_bins(log(30), catalogue, SETUP, FIELDS)
    assert bins.height == 10
    inner = bins[1:-1]
    assert inner["distance_m"].to_numpy() == pytest.approx(np.full(8, 50.0), rel=0.02)
    assert inner["area_ha"].to_numpy() == pytest.approx(np.full(8, 50.0 * 3 / 10_000), rel=0.02)
    assert inner["share_depth_cm"].to_numpy() == pytest.approx(np.full(8, 7.0), abs=0.15)
    assert set(bins["field_id"]) == {"F1"}


def test_only_working_time_enters_the_means(catalogue):
    state = ["working"] * 15 + ["turning"] * 15
    depth = np.where(np.arange(30) < 15, 7.0, 0.0)
    bins, *_ = make_bins(log(30, work_state=state, share_depth_cm=depth), catalogue, SETUP, FIELDS)
    assert bins["share_depth_cm"].drop_nulls().to_list() == [7.0] * 5
    assert bins.filter(pl.col("state") == "turning")["area_ha"].sum() == 0


def test_a_direction_is_binned_as_the_share_of_working_time(catalogue):
    """Three records a bin: none, one and all of three in reverse; turning does not count."""
    state = ["working"] * 9 + ["turning"] * 3
    in_reverse = [0.0, 0, 0, 0, 0, 1, 1, 1, 1, 0, 0, 0]
    bins, *_ = make_bins(log(12, work_state=state, rear_roller_reversed=in_reverse), catalogue, SETUP, FIELDS)
    assert bins["rear_roller_reversed"].to_list() == pytest.approx([0.0, 1 / 3, 1.0, None])


def test_a_state_that_is_not_logged_is_judged_from_depth_and_speed():
    speed = [6.0, 6.0, 0.1, 20.0, 6.0]
    depth = [7.0, 7.0, 0.0, 0.0, 0.0]
    state = add_state(
        log(5, work_state=pl.Series([None] * 5, dtype=pl.String), ground_speed_kmh=speed, share_depth_cm=depth)
    )
    assert state["state"].to_list() == ["working", "working", "idle", "road", "turning"]


def test_a_long_silence_is_not_worked_time():
    table = log(4).with_columns(
        pl.Series("logged_at", [START + dt.timedelta(seconds=s) for s in (0, 10, 610, 620)]).dt.cast_time_unit("us")
    )
    assert add_state(table)["dt_s"].to_list() == [10.0, 30.0, 10.0, 0.0]


@pytest.mark.parametrize(("at", "value", "reason"), [(20, 999.0, "out_of_range"), (20, 80.0, "spike")])
def test_impossible_readings_and_spikes_are_flagged_and_not_overwritten(catalogue, at, value, reason):
    rpm = log(60)["cleaner_1_speed_rpm"].to_numpy().copy()
    rpm[at] = value
    flagged = flag_faults(add_state(log(60, cleaner_1_speed_rpm=rpm)), catalogue)
    assert flagged["fault_cleaner_1_speed_rpm"].drop_nulls().to_list() == [reason]
    assert flagged["cleaner_1_speed_rpm"][at] == value
    bins, *_ = make_bins(log(60, cleaner_1_speed_rpm=rpm), catalogue, SETUP, FIELDS)
    assert bins["cleaner_1_speed_rpm"].max() < 41


def test_a_sensor_that_stands_still_while_its_neighbours_move_is_stuck(catalogue):
    rpm = log(240)["cleaner_2_speed_rpm"].to_numpy().copy()
    rpm[60:200] = 39.0
    flagged = flag_faults(add_state(log(240, cleaner_2_speed_rpm=rpm)), catalogue)
    stretch = fault_stretches(flagged)
    assert stretch.select("setting", "fault_code", "records").rows() == [("cleaner_2_speed_rpm", "stuck", 140)]


def test_a_machine_that_logs_set_points_has_no_stuck_sensor(catalogue):
    flat = {n: 10.0 * i for i, n in enumerate(("cleaner_1_speed_rpm", "cleaner_2_speed_rpm"), start=3)}
    flagged = flag_faults(add_state(log(240, share_depth_cm=7.0, ground_speed_kmh=6.0, **flat)), catalogue)
    assert fault_stretches(flagged).height == 0


def test_a_zero_position_and_a_jump_are_not_believed(catalogue):
    lat = 50.0 + np.arange(30) * 1e-6
    lat[10], lat[20] = 0.0, 51.0
    lon = np.full(30, 15.0)
    lon[10] = 0.0
    _, flagged, *_ = make_bins(log(30, lat_deg=lat, lon_deg=lon), catalogue, SETUP, FIELDS)
    assert flagged["lat_deg"].null_count() == 2


def test_a_place_without_outlines_belongs_to_the_nearest_field_that_can_hold_it():
    places = pl.DataFrame({"lat_deg": [50.0, 50.0199, 50.01, None], "lon_deg": [15.001, 15.0, 15.0, None]})
    assert field_of_places(places, FIELDS).to_list() == ["F1", "F2", None, None]


def test_two_deliveries_that_differ_on_an_instant_give_the_same_bins_in_any_order(catalogue):
    first, second = log(30), log(30, share_depth_cm=8.0)
    one, *_ = make_bins(pl.concat([first, second]), catalogue, SETUP, FIELDS)
    two, *_ = make_bins(pl.concat([second, first]), catalogue, SETUP, FIELDS)
    assert one.equals(two)


def test_a_bin_lies_in_the_field_whose_outline_holds_it_however_near_another_centre_is(catalogue):
    here = {
        "type": "Polygon",
        "coordinates": [[[14.99, 49.99], [15.01, 49.99], [15.01, 50.01], [14.99, 50.01], [14.99, 49.99]]],
    }
    outlined = FIELDS.with_columns(
        pl.Series("boundary", [None, json.dumps(here)], dtype=pl.String), pl.Series("lat_deg", [50.0, 50.3])
    )
    bins, *_ = make_bins(log(30), catalogue, SETUP, outlined)
    assert bins["field_id"].unique().to_list() == ["F2"]  # F1's centre is where the machine is, F2's is 30 km off


def test_sections_that_are_off_sweep_no_area(catalogue):
    whole, *_ = make_bins(log(30), catalogue, SETUP, FIELDS)
    half, *_ = make_bins(log(30, sections_on_pct=50.0), catalogue, SETUP, FIELDS)
    assert half["area_ha"].to_list() == pytest.approx((whole["area_ha"] / 2).to_list())
    assert half["distance_m"].to_list() == pytest.approx(whole["distance_m"].to_list())


METRE = 1 / 111_320.0
"""Degrees of latitude."""


def ways(ground: list[tuple[float, bool]], *, seconds: int = 10, **columns: object) -> pl.DataFrame:
    """A machine going up and down 300 m ways at 6 km/h: (metres east, northwards) each, and 40 s of turning between."""
    per_way = round(300 / (6 / 3.6) / seconds)
    north, east, state = [], [], []
    for x, up in ground:
        along = np.arange(per_way) * 300 / per_way
        north += list(along if up else 300 - along)
        east += [x] * per_way
        state += ["working"] * per_way
        north += [north[-1]] * 4
        east += [x] * 4
        state += ["turning"] * 4
    n = len(state)
    speed = np.where(np.array(state) == "working", 6.0, 3.0) + np.random.default_rng(2).normal(0, 0.02, n)
    place = {"lat_deg": 50.0 + np.array(north) * METRE, "lon_deg": 15.0 + np.array(east) * METRE / 0.643}
    at = pl.Series([START + dt.timedelta(seconds=seconds * i) for i in range(n)]).dt.cast_time_unit("us")
    return log(n, logged_at=at, work_state=state, ground_speed_kmh=speed, **place, **columns)


def test_ground_gone_over_again_gives_no_area_and_the_next_row_does(catalogue):
    rows = [(0.0, True), (3.0, False), (3.0, True), (6.0, False)]
    bins, *_ = make_bins(ways(rows), catalogue, SETUP, FIELDS)
    three_ways = 3 * 300 * 3 / 10_000
    assert bins["area_ha"].sum() == pytest.approx(three_ways, rel=0.1)
    assert bins["distance_m"].sum() == pytest.approx(4 * 300, rel=0.05)


def test_a_headland_crossed_at_the_end_of_every_way_counts_once(catalogue):
    lengthways = ways([(3.0 * k, k % 2 == 0) for k in range(8)])
    # The headland first: across the upper ends of the ways to come.
    across = ways([(0.0, True)], seconds=10).filter(pl.col("work_state") == "working")
    across = across.with_columns(
        (50.0 + 270 * METRE + 0 * pl.col("lat_deg")).alias("lat_deg"),
        (15.0 + (pl.col("lat_deg") - 50.0) / 0.643 - 20 * METRE).alias("lon_deg"),
        (pl.col("logged_at") - pl.duration(minutes=30)).alias("logged_at"),
    )
    alone, *_ = make_bins(lengthways, catalogue, SETUP, FIELDS)
    both, *_ = make_bins(pl.concat([across, lengthways]), catalogue, SETUP, FIELDS)
    extra = both["area_ha"].sum() - alone["area_ha"].sum()
    headland, *_ = make_bins(across, catalogue, SETUP, FIELDS)
    # Its last record lasts 30 s before other work. Eight ways cross it, a cell of half the header's width or two each.
    crossed = headland["area_ha"].sum() + 30 * 6 / 3.6 * 3 / 10_000 - extra
    assert 8 * 1.3 * 3 / 10_000 < crossed < 8 * 4.5 * 3 / 10_000


def test_a_sensor_that_creeps_all_day_drifts_and_one_moved_by_hand_does_not(catalogue):
    n = 2400
    rng = np.random.default_rng(3)
    step = catalogue["cleaner_1_speed_rpm"].step
    creeps = 38 + np.linspace(0, 4 * step, n) + rng.normal(0, 0.2, n)
    by_hand = 38 + step * np.repeat([0, 2, -1, 3, 1, 4], n // 6) + rng.normal(0, 0.2, n)
    for values, reasons in ((creeps, ["drift"]), (by_hand, [])):
        found = fault_stretches(flag_faults(add_state(log(n, cleaner_1_speed_rpm=values)), catalogue))
        assert found.filter(pl.col("setting") == "cleaner_1_speed_rpm")["fault_code"].to_list() == reasons


def test_a_ground_speed_that_places_contradict_is_not_believed_and_the_way_is_kept(catalogue):
    rows = [(3.0 * k, k % 2 == 0) for k in range(8)]
    right, off = ways(rows), ways(rows).with_columns(pl.col("ground_speed_kmh") * 1.3)
    bins, flagged, *_ = make_bins(off, catalogue, SETUP, FIELDS)
    assert set(fault_stretches(flagged)["fault_code"]) == {"off_position"}
    true, *_ = make_bins(right, catalogue, SETUP, FIELDS)
    assert bins["area_ha"].sum() == pytest.approx(true["area_ha"].sum(), rel=0.07)
    assert bins["ground_speed_kmh"].count() == 0


@pytest.mark.parametrize("minutes", [25.0, -25.0])
def test_a_clock_that_jumps_in_the_middle_of_a_way_is_seen_and_taken_out(catalogue, minutes):
    steady = ways([(3.0 * k, k % 2 == 0) for k in range(12)])
    half = steady.height // 2 + 3
    late = pl.int_range(pl.len()) >= half
    jumped = steady.with_columns(
        pl.when(late)
        .then(pl.col("logged_at") + pl.duration(seconds=int(60 * minutes)))
        .otherwise("logged_at")
        .alias("logged_at")
    )
    moved, steps = remove_clock_jumps(jumped)
    assert moved["logged_at"].equals(steady["logged_at"])
    assert steps.select("setting", "fault_code", "size").rows() == [("clock", "clock_step", minutes)]
    bins, _, found, _ = make_bins(jumped, catalogue, SETUP, FIELDS)
    true, *_ = make_bins(steady, catalogue, SETUP, FIELDS)
    assert bins.equals(true)
    assert found.height == 1


def test_a_log_that_was_off_while_the_machine_went_on_is_no_clock_step(catalogue):
    whole = ways([(3.0 * k, k % 2 == 0) for k in range(12)])
    silent = pl.concat([whole[:70], whole[140:]])
    assert make_bins(silent, catalogue, SETUP, FIELDS)[2].height == 0
