"""Stuck sensors on invented machine-days: set points, coarse readings, silent loggers, a fleet with planted faults."""

import datetime as dt
from typing import Any

import numpy as np
import polars as pl
import pytest

from transforms.config.settings_catalogue import Catalogue
from transforms.demo.operation import STATE_NAMES, WORKING
from transforms.demo.scenario import Plan
from transforms.demo.season import invent_season
from transforms.demo.sensors import logged
from transforms.telemetry.bins import add_state
from transforms.telemetry.sensor_activity import other_days, questioned_sensors, sensor_activity
from transforms.telemetry.sensor_faults import OtherDays, flag_faults

START = dt.datetime(2025, 10, 1, 6, tzinfo=dt.UTC)
HEIGHTS = ("scalper_height_mm", "intake_roller_height_mm", "separator_1_height_mm", "separator_2_height_mm")
SPEEDS = ("cleaner_1_speed_rpm", "cleaner_2_speed_rpm", "topper_speed_rpm")


def machine_day(minutes: int = 240, *, state: list[str] | None = None, **columns: Any) -> pl.DataFrame:
    """A two-cleaner machine for some hours, a record every 10 s: speeds fluctuate, heights are commands."""
    n = minutes * 6
    rng = np.random.default_rng(7)
    base: dict[str, object] = {
        "machine_id": "M1",
        "logged_at": pl.Series([START + dt.timedelta(seconds=10 * i) for i in range(n)]).dt.cast_time_unit("us"),
        "lat_deg": 50.0 + np.arange(n) * 1e-6,
        "lon_deg": 15.0,
        "work_state": state or "working",
        "ground_speed_kmh": 6.0 + rng.normal(0, 0.1, n),
        "share_depth_cm": 7.0,
        "topper_speed_rpm": 850 + rng.normal(0, 9, n),
        "cleaner_1_speed_rpm": 38 + rng.normal(0, 0.5, n),
        "cleaner_2_speed_rpm": 39 + rng.normal(0, 0.5, n),
        **dict.fromkeys(HEIGHTS, 40.0),
    }
    return pl.DataFrame(base | columns)


def stuck(records: pl.DataFrame, catalogue: Catalogue, others: OtherDays | None = None) -> dict[str, int]:
    """Number of records flagged as stuck, by setting."""
    flagged = flag_faults(add_state(records), catalogue, others)
    counts = {
        c.removeprefix("fault_"): int((flagged[c] == "stuck").sum()) for c in flagged.columns if c.startswith("fault_")
    }
    return {name: n for name, n in counts.items() if n}


def held(values: np.ndarray, start: int, stop: int) -> np.ndarray:
    out = values.copy()
    out[start:stop] = out[start]
    return out


def test_constant_heights_are_neither_stuck_nor_evidence_against_a_speed_that_is(catalogue):
    assert stuck(machine_day(), catalogue) == {}
    rpm = machine_day()["cleaner_2_speed_rpm"].to_numpy()
    assert stuck(machine_day(cleaner_2_speed_rpm=held(rpm, 300, 600)), catalogue) == {"cleaner_2_speed_rpm": 300}


def test_a_few_constant_heights_among_many_sensors_that_fluctuate_are_set_points(catalogue):
    rng = np.random.default_rng(5)
    n = machine_day().height
    alive: dict[str, Any] = {h: 40 + rng.normal(0, 0.9, n) for h in HEIGHTS[:2]} | {
        "share_depth_cm": 7 + rng.normal(0, 0.09, n)
    }
    assert stuck(machine_day(**alive), catalogue) == {}


def test_a_height_that_a_hand_moves_now_and_then_is_a_set_point(catalogue):
    n = machine_day().height
    moved = 40.0 + 5.0 * (np.arange(n) // 50 % 3)  # every eight minutes
    ramp = np.clip((np.arange(n) - 100.0) / 10, 0, 20) + 30  # twenty steps in half an hour, then silence
    assert stuck(machine_day(separator_1_height_mm=moved, separator_2_height_mm=ramp), catalogue) == {}


def test_two_sensors_that_stick_at_different_times_are_both_found(catalogue):
    day = machine_day()
    faulty = machine_day(
        cleaner_1_speed_rpm=held(day["cleaner_1_speed_rpm"].to_numpy(), 100, 400),
        cleaner_2_speed_rpm=held(day["cleaner_2_speed_rpm"].to_numpy(), 500, 900),
    )
    assert stuck(faulty, catalogue) == {"cleaner_1_speed_rpm": 300, "cleaner_2_speed_rpm": 400}


def test_a_logger_that_repeats_its_last_record_is_not_many_stuck_sensors(catalogue):
    day = machine_day()
    frozen: dict[str, Any] = {c: held(day[c].to_numpy(), 300, 600) for c in ("ground_speed_kmh", *SPEEDS)}
    assert stuck(machine_day(**frozen), catalogue) == {}


def test_silence_while_the_machine_idles_is_not_a_fault(catalogue):
    day = machine_day()
    idle = np.zeros(day.height, dtype=bool)
    idle[300:700] = True
    rest: dict[str, Any] = {c: np.where(idle, 0.0, day[c].to_numpy()) for c in ("ground_speed_kmh", *SPEEDS)}
    state = np.where(idle, "idle", "working").tolist()
    assert stuck(machine_day(state=state, **rest), catalogue) == {}
    # A pause inside does not lengthen a run: eight minutes before it and five after it are not 15 of work.
    rpm = held(day["cleaner_1_speed_rpm"].to_numpy(), 252, 730)
    assert stuck(machine_day(state=state, **(rest | {"cleaner_1_speed_rpm": rpm})), catalogue) == {}


@pytest.mark.parametrize("grid", [0.25, 1.0, 2.0, 5.0])
def test_a_coarse_reading_is_not_stuck_while_its_sensor_rests_inside_one_digit(catalogue, grid):
    rng = np.random.default_rng(3)
    n = machine_day(480).height
    for level in rng.uniform(35, 45, (5, 8)):  # the operator moves it hourly
        value = np.repeat(level, n // 8) + rng.normal(0, 0.5, n)
        assert stuck(machine_day(480, cleaner_1_speed_rpm=np.round(value / grid) * grid), catalogue) == {}


def test_a_quantised_speed_that_is_truly_stuck_is_found(catalogue):
    rpm = np.round(machine_day()["cleaner_1_speed_rpm"].to_numpy())
    found = stuck(machine_day(cleaner_1_speed_rpm=held(rpm, 300, 600)), catalogue)
    assert set(found) == {"cleaner_1_speed_rpm"}
    assert 300 <= found["cleaner_1_speed_rpm"] <= 304  # digits beside it may be the same by chance


def test_a_sensor_that_is_silent_all_day_is_stuck_only_if_it_fluctuates_on_other_days(catalogue):
    silent = machine_day(cleaner_2_speed_rpm=38.7)
    assert stuck(silent, catalogue) == {}
    others = OtherDays(silent=frozenset({"ground_speed_kmh", *SPEEDS}))
    assert stuck(silent, catalogue, others) == {"cleaner_2_speed_rpm": silent.height}


def activity_of(days: list[pl.DataFrame], catalogue: Catalogue) -> pl.DataFrame:
    """Activity of the days of machine M1, the first of them 1 October."""
    return pl.concat(
        sensor_activity(add_state(day), catalogue).with_columns(machine=pl.lit("M1"), day=pl.lit(f"2025-10-{i:02}"))
        for i, day in enumerate(days, start=1)
    )


def test_a_silent_day_is_judged_by_the_machine_s_other_days(catalogue):
    alive, silent = machine_day(), machine_day(cleaner_2_speed_rpm=38.7)
    known = other_days(activity_of([alive, alive, silent, alive], catalogue))
    assert known == {("M1", "2025-10-03"): OtherDays(silent=frozenset({"cleaner_2_speed_rpm"}))}
    # Silent on most days: a set point.
    assert other_days(activity_of([alive, silent, silent, silent], catalogue)) == {}


def test_a_sensor_that_the_rule_would_flag_on_most_days_is_asked_about_and_kept(catalogue):
    """A height that works by itself at times and is set by hand at others: 300 constant records on each day of five."""
    rng = np.random.default_rng(2)
    n = machine_day().height
    half_set = [
        machine_day(separator_1_height_mm=held(40 + rng.normal(0, 1.0, n), 300 + 10 * i, 600 + 10 * i))
        for i in range(5)
    ]
    assert [stuck(day, catalogue) for day in half_set] == [{"separator_1_height_mm": 300}] * 5
    activity = activity_of(half_set, catalogue)
    assert questioned_sensors(activity).rows() == [("M1", "separator_1_height_mm", "stuck", 5, 5)]
    known = other_days(activity)
    assert [stuck(day, catalogue, known["M1", f"2025-10-{i:02}"]) for i, day in enumerate(half_set, start=1)] == [
        {}
    ] * 5
    # Three days are too few to ask, and two days of five are faults.
    whole = [machine_day(separator_1_height_mm=40 + rng.normal(0, 1.0, n)) for _ in range(3)]
    assert other_days(activity_of(half_set[:3], catalogue)) == {}
    assert other_days(activity_of([*half_set[:2], *whole], catalogue)) == {}


def test_a_day_without_a_change_of_a_sensor_that_is_asked_about_is_kept_too(catalogue):
    rng = np.random.default_rng(2)
    n = machine_day().height
    half_set = [machine_day(separator_1_height_mm=held(40 + rng.normal(0, 1.0, n), 300, 600)) for _ in range(4)]
    days = [*half_set, machine_day(separator_1_height_mm=41.3)]
    known = other_days(activity_of(days, catalogue))
    assert stuck(days[4], catalogue, known.get(("M1", "2025-10-05"))) == {}


def test_a_drift_on_most_days_is_asked_about_and_kept(catalogue):
    rng = np.random.default_rng(4)
    n = machine_day(480).height
    days = [machine_day(480, share_depth_cm=6 + np.linspace(0, 3, n) + rng.normal(0, 0.05, n)) for _ in range(4)]
    activity = activity_of(days, catalogue)
    assert questioned_sensors(activity).rows() == [("M1", "share_depth_cm", "drift", 4, 4)]
    others = other_days(activity)["M1", "2025-10-01"]
    flags = [
        flag_faults(add_state(days[0]), catalogue, known)["fault_share_depth_cm"].eq("drift").sum()
        for known in (None, others)
    ]
    assert flags == [n, 0]


def test_every_planted_stuck_speed_of_a_fleet_is_found_and_nothing_else(catalogue):
    """Six machines, four days; two-cleaner machines log heights as commands; 9 speeds are stuck for 40 min to 3 h."""
    rng = np.random.default_rng(11)
    season = invent_season(Plan(machines=6, days=4, seed=3), catalogue)
    names = dict(enumerate(STATE_NAMES))
    found, planted = set(), {(2, 1, "cleaner_2_speed_rpm")}  # the demo's own stuck sensor
    for machine, info in enumerate(season.district.machines.iter_rows(named=True)):
        table = logged(rng, season, catalogue, machine).with_columns(
            pl.lit(info["machine_id"]).alias("machine_id"),
            pl.col("lat").alias("lat_deg"),
            pl.col("lon").alias("lon_deg"),
            pl.col("state").replace_strict(names, return_dtype=pl.String).alias("work_state"),
        )
        if info["generation"] == "A":
            table = table.with_columns(((pl.col(h) / 20).round() * 20) for h in HEIGHTS)
        days = [d for (_,), d in table.group_by(pl.col("logged_at").dt.date(), maintain_order=True)]
        for number, whole in enumerate(days):
            day = whole
            if number == 1 or (number == 2 and machine in {0, 3}):
                speed = SPEEDS[0 if machine == 2 else (machine + number) % 2]
                work = np.flatnonzero(day["state"] == WORKING)
                minutes = int(rng.uniform(40, 180))
                rows = work[60 : 60 + 6 * minutes]
                values = day[speed].to_numpy().copy()
                values[rows[0] : rows[-1] + 1] = values[rows[0]]
                day = day.with_columns(pl.Series(speed, values))
                planted.add((machine, number, speed))
            found |= {(machine, number, s) for s in stuck(day, catalogue)}
    assert len(planted) == 9
    assert found == planted
    assert not any(setting in HEIGHTS for _, _, setting in found)
