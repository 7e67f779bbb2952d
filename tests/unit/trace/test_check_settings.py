"""Settings of root checks without a load: the last minutes of lifting of their machine and field."""

import datetime as dt

import polars as pl
import pytest

from transforms.trace.check_settings import LIFTING_MIN, QUALITY, REACH_H, check_settings

NOON = dt.datetime(2025, 10, 2, 12, tzinfo=dt.UTC)


def lifting(machine: str, field: str | None, begins_min: float, minutes: float, depth: float) -> pl.DataFrame:
    """Bins of lifting at one depth, from some minutes before noon."""
    n = int(2 * minutes)
    at = [NOON - dt.timedelta(minutes=begins_min) + dt.timedelta(seconds=30 * k) for k in range(n)]
    return pl.DataFrame(
        {
            "machine_id": [machine] * n,
            "field_id": [field] * n,
            "worked_at": at,
            "work_s": [30.0] * n,
            "share_depth_cm": [depth] * n,
        },
        schema_overrides={"worked_at": pl.Datetime("us", "UTC"), "field_id": pl.String},
    )


def checked(bins: list[pl.DataFrame], catalogue, *, at: dt.datetime = NOON, **named: str) -> dict[str, object] | None:
    row = {"check_id": "C1", "checked_at": at, "machine_id": None, "field_id": None, "place": None, **named}
    texts = dict.fromkeys(("machine_id", "field_id", "place"), pl.String)
    checks = pl.DataFrame([row], schema_overrides={"checked_at": pl.Datetime("us", "UTC"), **texts})
    found = check_settings(checks, pl.concat(bins), catalogue)
    assert found.columns == ["check_id", "machine_id", "field_id", "worked_at", "trace_quality", *catalogue]
    return found.row(0, named=True) if found.height else None


def test_a_tank_holds_its_last_minutes_of_lifting(catalogue):
    minutes = LIFTING_MIN["tank"]
    bins = [lifting("M1", "F1", 90, 30, 9.0), lifting("M1", "F1", 40, minutes, 7.0), lifting("M2", "F1", 40, 40, 5.0)]
    row = checked(bins, catalogue, machine_id="M1", field_id="F1", place="tank")
    assert row is not None
    assert (row["share_depth_cm"], row["trace_quality"]) == (7.0, QUALITY["tank"])
    assert NOON - dt.timedelta(minutes=40) < row["worked_at"] < NOON - dt.timedelta(minutes=40 - minutes)
    assert row["ground_speed_kmh"] is None


def test_a_pile_holds_more_minutes_and_says_less_surely_which(catalogue):
    bins = [lifting("M1", "F1", 200, 30, 9.0), lifting("M1", "F1", 150, 30, 7.0)]
    row = checked(bins, catalogue, machine_id="M1", place="pile")
    assert row is not None
    assert row["share_depth_cm"] == pytest.approx(8.0)
    assert row["trace_quality"] == QUALITY["pile"] < QUALITY["tank"]


def test_lifting_in_another_field_after_the_check_or_too_long_before_it_is_not_used(catalogue):
    early = 60 * REACH_H["tank"] + 40
    bins = [lifting("M1", "F1", early, 30, 9.0), lifting("M1", "F2", 60, 30, 7.0), lifting("M1", "F1", -1, 30, 5.0)]
    assert checked(bins, catalogue, machine_id="M1", field_id="F1", place="tank") is None
    at_f2 = checked(bins, catalogue, machine_id="M1", place="tank")
    assert at_f2 is not None
    assert (at_f2["field_id"], at_f2["share_depth_cm"]) == ("F2", 7.0)


def test_minutes_without_a_position_count_as_the_named_field(catalogue):
    row = checked([lifting("M1", None, 60, 30, 7.0)], catalogue, machine_id="M1", field_id="F1")
    assert row is not None
    assert (row["share_depth_cm"], row["field_id"]) == (7.0, None)


def test_a_field_alone_has_the_settings_of_its_only_machine(catalogue):
    alone = [lifting("M1", "F1", 60, 30, 7.0), lifting("M2", "F2", 60, 30, 5.0)]
    row = checked(alone, catalogue, field_id="F1")
    assert row is not None
    assert (row["machine_id"], row["share_depth_cm"]) == ("M1", 7.0)
    assert checked([*alone, lifting("M3", "F1", 50, 10, 4.0)], catalogue, field_id="F1") is None


def test_turning_is_no_lifting_and_midnight_no_border(catalogue):
    midnight = NOON.replace(hour=0, minute=5)
    before = lifting("M1", "F1", 12 * 60 + 20, 15, 7.0)
    turning = lifting("M1", "F1", 12 * 60 + 5, 5, 2.0).with_columns(work_s=0.0)
    row = checked([before, turning], catalogue, at=midnight, machine_id="M1")
    assert row is not None
    assert row["share_depth_cm"] == 7.0


def test_checks_without_any_telemetry_have_no_row(catalogue):
    assert checked([lifting("M1", "F1", 60, 30, 7.0).clear()], catalogue, machine_id="M1") is None
