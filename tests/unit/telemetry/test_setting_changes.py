"""Timeline of a shift: changes found at the times they were made and at no other, five-minute means, passes."""

import datetime as dt

import numpy as np
import polars as pl
import pytest

from tests.validation.seasons import Season
from transforms.config.response_catalogue import DIRT
from transforms.config.settings_catalogue import Catalogue
from transforms.storage.lake import Lake, read_frame
from transforms.storage.warehouse import Warehouse
from transforms.telemetry.setting_changes import BESIDE, MAX_PASSES, build_shift_timeline, detect_setting_changes

START = dt.datetime(2025, 10, 6, 5, 0, tzinfo=dt.UTC)


def lifting(depth: np.ndarray, rng: np.random.Generator, noise: float = 0.08, machine: str = "M1") -> pl.DataFrame:
    at = [START + dt.timedelta(seconds=30 * i) for i in range(depth.size)]
    return pl.DataFrame(
        {
            "machine_id": machine,
            "bin_at": pl.Series(at, dtype=pl.Datetime("us", "UTC")),
            "field_id": "F1",
            "share_depth_cm": depth + rng.normal(0, noise, depth.size),
            "area_ha": 0.01,
            "lat_deg": 50.0,
            "lon_deg": 15.0,
            "state": "working",
        }
    )


def test_a_lasting_change_is_a_decision_with_its_time_and_values(catalogue: Catalogue):
    depth = np.repeat([7.0, 6.0, 8.0], 60)
    found = detect_setting_changes(lifting(depth, np.random.default_rng(1)), catalogue)
    assert found["setting"].to_list() == ["share_depth_cm"] * 2
    minutes = [(t - START).total_seconds() / 60 for t in found["decided_at"]]
    assert minutes == pytest.approx([30, 60], abs=1.0)
    assert found["from_value"].to_list() == pytest.approx([7.0, 6.0], abs=0.1)
    assert found["to_value"].to_list() == pytest.approx([6.0, 8.0], abs=0.1)
    assert found["steps"].to_list() == pytest.approx([-2.0, 4.0], abs=0.3)
    assert found["unit"].unique().to_list() == ["cm"]


def test_noise_spikes_and_drifts_within_a_step_are_no_decisions(catalogue: Catalogue):
    rng = np.random.default_rng(2)
    false = 0
    for _ in range(40):
        depth = np.full(600, 7.0)
        depth[rng.integers(20, 580, 5)] += rng.choice([-3.0, 3.0], 5)  # single wild readings
        false += detect_setting_changes(lifting(depth, rng, noise=0.15), catalogue).height
    assert false == 0
    slow = np.linspace(7.0, 7.4, 600)
    assert detect_setting_changes(lifting(slow, rng), catalogue).height == 0
    assert detect_setting_changes(lifting(np.full(BESIDE, 7.0), rng), catalogue).height == 0


def test_where_noise_is_larger_a_decision_must_be_too(catalogue: Catalogue):
    rng = np.random.default_rng(3)
    depth = np.repeat([7.0, 7.6], 60)
    assert detect_setting_changes(lifting(depth, rng, noise=0.05), catalogue).height == 1
    assert detect_setting_changes(lifting(depth, rng, noise=0.6), catalogue).height == 0


def test_machines_are_kept_apart_and_means_are_of_lifting_alone(catalogue: Catalogue):
    rng = np.random.default_rng(4)
    one, two = (lifting(np.full(100, d), rng, 0.0, m) for d, m in ((6.0, "M1"), (8.0, "M2")))
    idle = one.head(20).with_columns(pl.lit(0.0).alias("area_ha"), pl.lit(99.0).alias("share_depth_cm"))
    idle = idle.with_columns(pl.col("bin_at") + pl.duration(minutes=50))
    given = one.select(pl.lit("L1").alias("load_id"), "machine_id", "bin_at", pl.lit(0.01).alias("share"))
    measured = pl.DataFrame({"load_id": ["L1"], DIRT: [9.0]})
    hours = pl.DataFrame(
        {
            "field_id": ["F1"],
            "hour_at": pl.Series([START], dtype=pl.Datetime("us", "UTC")),
            "topsoil_wetness": [0.4],
        }
    )
    bins = pl.concat([one, idle, two]).sort("machine_id", "bin_at")
    went = build_shift_timeline(bins, given, measured, hours, catalogue)
    assert went.decisions.height == 0
    by = went.course.group_by("machine_id").agg(pl.col("share_depth_cm").mean())
    assert dict(by.iter_rows()) == pytest.approx({"M1": 6.0, "M2": 8.0})
    assert went.course["topsoil_wetness"].drop_nulls().unique().to_list() == [0.4]
    assert went.course.filter(pl.col("machine_id") == "M1")["lifting_share"].min() == 0.0
    known = went.passes.drop_nulls(DIRT)
    assert set(known["machine_id"]) == {"M1"}
    assert went.passes.group_by("machine_id").len()["len"].max() <= MAX_PASSES


def test_passes_are_thinned_evenly_and_keep_to_the_limit(catalogue: Catalogue):
    many = lifting(np.full(2 * MAX_PASSES + 7, 7.0), np.random.default_rng(5))
    none = pl.DataFrame(
        schema={"load_id": pl.String, "machine_id": pl.String, "bin_at": many["bin_at"].dtype, "share": pl.Float64}
    )
    hours = pl.DataFrame(schema={"field_id": pl.String, "hour_at": many["bin_at"].dtype, "topsoil_wetness": pl.Float64})
    went = build_shift_timeline(
        many, none, pl.DataFrame(schema={"load_id": pl.String, DIRT: pl.Float64}), hours, catalogue
    )
    assert MAX_PASSES / 2 < went.passes.height <= MAX_PASSES
    gaps = went.passes["bin_at"].diff().drop_nulls().unique()
    assert gaps.len() == 1


def test_decisions_of_the_demo_are_those_its_operators_made(season: Season):
    """Require a recorded change within two minutes of every jump of a setting by two steps or more."""
    lake, catalogue = Lake(season.workspace.lake), season.workspace.season.catalogue
    with Warehouse.open_read_only(season.workspace.warehouse) as warehouse:
        days = warehouse.table("binned_day").sort("machine", "day").rows()[4:7]
    found = 0
    for machine, day, _ in days:
        bins = read_frame(lake.bin_path(machine, day)).filter(pl.col("area_ha") > 0).sort("bin_at")
        made = detect_setting_changes(bins, catalogue)
        for r in made.iter_rows(named=True):
            x = bins.drop_nulls(r["setting"])
            before = x.filter(pl.col("bin_at") < r["decided_at"])[r["setting"]].tail(BESIDE).median()
            after = x.filter(pl.col("bin_at") >= r["decided_at"])[r["setting"]].head(BESIDE).median()
            assert before == pytest.approx(r["from_value"])
            assert after == pytest.approx(r["to_value"])
            assert abs(after - before) >= catalogue[r["setting"]].step - 1e-9
            found += 1
    assert found > 20


def test_most_changes_are_found_and_what_is_found_was_made(catalogue: Catalogue):
    """Forty days of ten hours: a change every 70 minutes or so of N(0, 1.3) steps, noise as of the demo's sensors."""
    rng, step, found, large, false = np.random.default_rng(11), catalogue["share_depth_cm"].step, 0, 0, 0
    for _ in range(40):
        moments = np.sort(rng.choice(np.arange(20, 1180), rng.poisson(8), replace=False))
        moments = moments[np.diff(moments, prepend=-99) > 2 * BESIDE]
        sizes = rng.normal(0, 1.3, moments.size)
        course = (
            7.0 + step * np.concatenate([[0.0], np.cumsum(sizes)])[np.searchsorted(moments, np.arange(1200), "right")]
        )
        made = detect_setting_changes(lifting(course, rng, noise=0.12), catalogue)
        at = np.array([(t - START).total_seconds() / 30 for t in made["decided_at"]])
        near = np.abs(at[:, None] - moments) <= 4
        large += int((np.abs(sizes) >= 1.5).sum())
        found += int(near[:, np.abs(sizes) >= 1.5].any(axis=0).sum())
        false += int((~near[:, np.abs(sizes) >= 0.5].any(axis=1)).sum()) if at.size else 0
    print(f"\nchanges of 1.5 steps or more: {large}, found {found}; reported where none was: {false}")
    assert found / large >= 0.95
    assert false <= 2
