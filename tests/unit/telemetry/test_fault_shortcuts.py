"""Flags of single readings: the shortcuts against every condition evaluated on every reading."""

import datetime as dt

import numpy as np
import polars as pl
import pytest

from transforms.config.settings_catalogue import Catalogue
from transforms.telemetry.bins import add_state, make_bins
from transforms.telemetry.sensor_activity import sensor_activity
from transforms.telemetry.sensor_faults import SPIKE_STEPS, flag_faults
from transforms.telemetry.stuck import is_fluctuating, run_seconds, windows_of

START = dt.datetime(2025, 10, 1, 6, tzinfo=dt.UTC)
NAMES = ("share_depth_cm", "ground_speed_kmh", "topper_speed_rpm", "cleaner_1_speed_rpm", "scalper_height_mm")
N = 900


def log(rng: np.random.Generator, catalogue: Catalogue, kind: str) -> pl.DataFrame:
    """A machine-day whose readings have faults of one kind."""
    values = {}
    for name in NAMES:
        setting = catalogue[name]
        x = (setting.low + setting.high) / 2 + setting.step * rng.normal(0, 0.5, N)
        if kind == "spikes":
            x[rng.choice(N, 9, replace=False)] += 9 * setting.step
        if kind == "manual changes":
            x += setting.step * 6 * (np.arange(N) > N // 2)
        if kind == "out of range":
            x[rng.choice(N, 5, replace=False)] = setting.high + 1
        values[name] = pl.Series(x).round(4)
        if kind == "missing":
            values[name] = values[name].set(pl.Series(rng.random(N) < 0.2), None)
        if kind == "not a number":
            values[name] = values[name].set(pl.Series(rng.random(N) < 0.02), float("nan"))
    return pl.DataFrame(
        {
            "machine_id": "M1",
            "logged_at": pl.Series([START + dt.timedelta(seconds=5 * i) for i in range(N)]).dt.cast_time_unit("us"),
            "lat_deg": 50.0 + np.arange(N) * 1e-6,
            "lon_deg": 15.0,
            "work_state": rng.choice(["working", "turning"], N, p=[0.8, 0.2]),
            **values,
        }
    )


def flags_of_each_reading(records: pl.DataFrame, catalogue: Catalogue, name: str) -> list[str | None]:
    """The definition: every condition on every working record, joined by instant."""
    setting, value = catalogue[name], pl.col(name)
    off = (value - value.rolling_median(5, center=True, min_samples=3)).abs()
    found = records.filter("working").select(
        "logged_at",
        pl.when((value < setting.low) | (value > setting.high))
        .then(pl.lit("out_of_range"))
        .when(off > SPIKE_STEPS * setting.step)
        .then(pl.lit("spike"))
        .alias("flag"),
    )
    return records.join(found, on="logged_at", how="left", maintain_order="left")["flag"].to_list()


@pytest.mark.parametrize("kind", ["none", "spikes", "manual changes", "out of range", "missing", "not a number"])
def test_flags_are_those_of_each_reading(kind, catalogue):
    records = add_state(log(np.random.default_rng(3), catalogue, kind))
    flagged = flag_faults(records, catalogue)
    for name in NAMES:
        single = [f if f in {"out_of_range", "spike"} else None for f in flagged[f"fault_{name}"]]
        assert single == flags_of_each_reading(records, catalogue, name)
    count = sum(flagged[f"fault_{n}"].count() for n in NAMES)
    assert (count > 0) == (kind in {"spikes", "out of range", "not a number"})


def test_the_activity_of_a_day_is_that_of_its_flagged_records(catalogue):
    records = log(np.random.default_rng(4), catalogue, "spikes")
    fields = pl.DataFrame(schema={"field_id": pl.String, "lat_deg": pl.Float64, "lon_deg": pl.Float64})
    binned = make_bins(records, catalogue, {"rows_count": 6, "row_spacing_cm": 45.0}, fields)
    assert binned.activity.equals(sensor_activity(binned.flagged, catalogue))
    assert binned.activity.height == len(NAMES)


@pytest.mark.parametrize("kind", ["spikes", "missing", "not a number"])
def test_bins_are_those_of_the_valid_working_readings_of_each_half_minute(kind, catalogue):
    fields = pl.DataFrame(schema={"field_id": pl.String, "lat_deg": pl.Float64, "lon_deg": pl.Float64})
    records = log(np.random.default_rng(5), catalogue, kind)
    binned = make_bins(records, catalogue, {"rows_count": 6, "row_spacing_cm": 45.0}, fields)
    groups = binned.flagged.group_by(pl.col("logged_at").dt.truncate("30s"), maintain_order=True)
    for name in NAMES:
        valid = pl.col(name).filter(pl.col("working") & pl.col(f"fault_{name}").is_null())
        expected = groups.agg(valid.mean().alias("mean"), valid.std().alias("sd"))
        assert binned.bins[name].equals(expected["mean"])
        assert binned.bins[f"{name}_sd"].equals(expected["sd"])


def test_shared_windows_change_no_verdict():
    rng, seconds = np.random.default_rng(6), np.cumsum(np.full(N, 5.0))
    days = (rng.normal(50, 5, N).round(1), np.where(np.arange(N) > 300, 7.0, 6.0), rng.choice([1.0, 2.0], N))
    for values in (*days, np.where(rng.random(N) < 0.2, np.nan, days[0])):
        run = run_seconds(values, seconds)
        assert is_fluctuating(values, seconds, run, windows_of(seconds)) == is_fluctuating(values, seconds, run)
