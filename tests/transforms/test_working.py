import datetime as dt
import json

import numpy as np
import polars as pl
import pytest

from transforms.working.bins import field_of_places, make_bins, with_state
from transforms.working.faults import fault_stretches, flag_faults

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
    bins, _ = make_bins(log(30), catalogue, SETUP, FIELDS)
    assert bins.height == 10
    inner = bins[1:-1]
    assert inner["distance_m"].to_numpy() == pytest.approx(np.full(8, 50.0), rel=0.02)
    assert inner["area_ha"].to_numpy() == pytest.approx(np.full(8, 50.0 * 3 / 10_000), rel=0.02)
    assert inner["share_depth_cm"].to_numpy() == pytest.approx(np.full(8, 7.0), abs=0.15)
    assert set(bins["field_id"]) == {"F1"}


def test_only_working_time_enters_the_means(catalogue):
    state = ["working"] * 15 + ["turning"] * 15
    depth = np.where(np.arange(30) < 15, 7.0, 0.0)
    bins, _ = make_bins(log(30, work_state=state, share_depth_cm=depth), catalogue, SETUP, FIELDS)
    assert bins["share_depth_cm"].drop_nulls().to_list() == [7.0] * 5
    assert bins.filter(pl.col("state") == "turning")["area_ha"].sum() == 0


def test_a_state_that_is_not_logged_is_judged_from_depth_and_speed():
    speed = [6.0, 6.0, 0.1, 20.0, 6.0]
    depth = [7.0, 7.0, 0.0, 0.0, 0.0]
    state = with_state(
        log(5, work_state=pl.Series([None] * 5, dtype=pl.String), ground_speed_kmh=speed, share_depth_cm=depth)
    )
    assert state["state"].to_list() == ["working", "working", "idle", "road", "turning"]


def test_a_long_silence_is_not_worked_time():
    table = log(4).with_columns(
        pl.Series("logged_at", [START + dt.timedelta(seconds=s) for s in (0, 10, 610, 620)]).dt.cast_time_unit("us")
    )
    assert with_state(table)["dt_s"].to_list() == [10.0, 30.0, 10.0, 0.0]


@pytest.mark.parametrize(("at", "value", "reason"), [(20, 999.0, "out_of_range"), (20, 80.0, "spike")])
def test_impossible_readings_and_spikes_are_flagged_and_not_overwritten(catalogue, at, value, reason):
    rpm = log(60)["cleaner_1_speed_rpm"].to_numpy().copy()
    rpm[at] = value
    flagged = flag_faults(with_state(log(60, cleaner_1_speed_rpm=rpm)), catalogue)
    assert flagged["fault_cleaner_1_speed_rpm"].drop_nulls().to_list() == [reason]
    assert flagged["cleaner_1_speed_rpm"][at] == value
    bins, _ = make_bins(log(60, cleaner_1_speed_rpm=rpm), catalogue, SETUP, FIELDS)
    assert bins["cleaner_1_speed_rpm"].max() < 41


def test_a_sensor_that_stands_still_while_its_neighbours_move_is_stuck(catalogue):
    rpm = log(240)["cleaner_2_speed_rpm"].to_numpy().copy()
    rpm[60:200] = 39.0
    flagged = flag_faults(with_state(log(240, cleaner_2_speed_rpm=rpm)), catalogue)
    stretch = fault_stretches(flagged)
    assert stretch.select("setting", "reason", "records").rows() == [("cleaner_2_speed_rpm", "stuck", 140)]


def test_a_machine_that_logs_set_points_has_no_stuck_sensor(catalogue):
    flat = {n: 10.0 * i for i, n in enumerate(("cleaner_1_speed_rpm", "cleaner_2_speed_rpm"), start=3)}
    flagged = flag_faults(with_state(log(240, share_depth_cm=7.0, ground_speed_kmh=6.0, **flat)), catalogue)
    assert fault_stretches(flagged).height == 0


def test_a_zero_position_and_a_jump_are_not_believed(catalogue):
    lat = 50.0 + np.arange(30) * 1e-6
    lat[10], lat[20] = 0.0, 51.0
    lon = np.full(30, 15.0)
    lon[10] = 0.0
    _, flagged = make_bins(log(30, lat_deg=lat, lon_deg=lon), catalogue, SETUP, FIELDS)
    assert flagged["lat_deg"].null_count() == 2


def test_a_place_without_outlines_belongs_to_the_nearest_field_that_can_hold_it():
    places = pl.DataFrame({"lat_deg": [50.0, 50.0199, 50.01, None], "lon_deg": [15.001, 15.0, 15.0, None]})
    assert field_of_places(places, FIELDS).to_list() == ["F1", "F2", None, None]


def test_two_deliveries_that_differ_on_an_instant_give_the_same_bins_in_any_order(catalogue):
    first, second = log(30), log(30, share_depth_cm=8.0)
    one, _ = make_bins(pl.concat([first, second]), catalogue, SETUP, FIELDS)
    two, _ = make_bins(pl.concat([second, first]), catalogue, SETUP, FIELDS)
    assert one.equals(two)


def test_a_bin_lies_in_the_field_whose_outline_holds_it_however_near_another_centre_is(catalogue):
    here = {
        "type": "Polygon",
        "coordinates": [[[14.99, 49.99], [15.01, 49.99], [15.01, 50.01], [14.99, 50.01], [14.99, 49.99]]],
    }
    outlined = FIELDS.with_columns(
        pl.Series("boundary", [None, json.dumps(here)], dtype=pl.String), pl.Series("lat_deg", [50.0, 50.3])
    )
    bins, _ = make_bins(log(30), catalogue, SETUP, outlined)
    assert bins["field_id"].unique().to_list() == ["F2"]  # F1's centre is where the machine stands, F2's is 30 km off


def test_sections_that_are_off_sweep_no_area(catalogue):
    whole, _ = make_bins(log(30), catalogue, SETUP, FIELDS)
    half, _ = make_bins(log(30, sections_on_pct=50.0), catalogue, SETUP, FIELDS)
    assert half["area_ha"].to_list() == pytest.approx((whole["area_ha"] / 2).to_list())
    assert half["distance_m"].to_list() == pytest.approx(whole["distance_m"].to_list())
