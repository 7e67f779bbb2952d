"""Set points beside reached values, and left beside right: which value counts, and which differences last."""

import datetime as dt
from typing import Any

import numpy as np
import polars as pl
import pytest

from transforms.config.settings_catalogue import Catalogue
from transforms.telemetry.bins import make_bins
from transforms.telemetry.set_points import (
    GAP_DAY_SCHEMA,
    OF_SET_POINT,
    OF_SIDES,
    OFFSET_SCHEMA,
    add_reached_values,
    gaps_of_day,
    set_point_offsets,
)

DEPTH, SET, LEFT, RIGHT = "share_depth_cm", "share_depth_set_cm", "share_depth_left_cm", "share_depth_right_cm"
START = dt.datetime(2025, 10, 9, 8, tzinfo=dt.UTC)
SETUP = {"rows_count": 6.0, "row_spacing_cm": 50.0}
FIELDS = pl.DataFrame(
    schema={
        "field_id": pl.String,
        "lat_deg": pl.Float64,
        "lon_deg": pl.Float64,
        "area_ha": pl.Float64,
        "boundary": pl.String,
    }
)


@pytest.mark.parametrize(
    ("logged", "reached"),
    [
        ({DEPTH: 7.0, LEFT: 8.0, RIGHT: 9.0, SET: 6.0}, 7.0),
        ({LEFT: 8.0, RIGHT: 9.0, SET: 6.0}, 8.5),
        ({DEPTH: None, LEFT: 8.0, SET: 6.0}, 6.0),
        ({SET: 6.0}, 6.0),
    ],
    ids=["as logged", "mean of both sides", "one side is not enough", "set point alone"],
)
def test_the_reached_value_counts(logged, reached, catalogue):
    records = pl.DataFrame([logged], schema_overrides=dict.fromkeys(logged, pl.Float64))
    assert add_reached_values(records, catalogue)[DEPTH].to_list() == [reached]


def test_records_without_set_points_are_unchanged(catalogue):
    records = pl.DataFrame({DEPTH: [7.0, None], "machine_id": ["M1", "M1"]})
    assert add_reached_values(records, catalogue).equals(records)


def records(**columns: Any) -> pl.DataFrame:
    """Return ten minutes of records of a working machine, one each 5 s."""
    n = 120
    base = {
        "machine_id": ["M1"] * n,
        "logged_at": [START + dt.timedelta(seconds=5 * i) for i in range(n)],
        "lat_deg": 50.0 + 1.25e-5 * np.arange(n),
        "lon_deg": [15.0] * n,
        "work_state": ["working"] * n,
        "ground_speed_kmh": [5.0] * n,
        **{name: np.full(n, value) for name, value in columns.items()},
    }
    return pl.DataFrame(base).with_columns(pl.col("logged_at").dt.cast_time_unit("us"))


def test_bins_keep_both_and_the_day_their_difference(catalogue):
    binned = make_bins(records(**{DEPTH: 7.8, SET: 7.0, LEFT: 8.1, RIGHT: 7.5}), catalogue, SETUP, FIELDS)
    assert binned.bins.select(DEPTH, SET, LEFT, RIGHT).unique().row(0) == pytest.approx((7.8, 7.0, 8.1, 7.5))
    day = gaps_of_day(binned.bins, catalogue)
    assert day.schema == GAP_DAY_SCHEMA
    gaps = {r["kind"]: r for r in day.iter_rows(named=True)}
    assert gaps[OF_SET_POINT]["gap"] == pytest.approx(0.8)
    assert gaps[OF_SIDES]["gap"] == pytest.approx(0.6)
    assert gaps[OF_SIDES]["bins"] == binned.bins.height == 20


def test_a_day_without_set_points_has_no_difference(catalogue):
    binned = make_bins(records(**{DEPTH: 7.8}), catalogue, SETUP, FIELDS)
    assert gaps_of_day(binned.bins, catalogue).height == 0
    assert SET not in binned.bins.columns


def days(*gaps: float, kind: str = OF_SET_POINT, setting: str = DEPTH) -> pl.DataFrame:
    rows = [{"machine_id": "M1", "setting": setting, "kind": kind, "gap": g, "bins": 400} for g in gaps]
    return pl.DataFrame(rows, schema=GAP_DAY_SCHEMA)


@pytest.mark.parametrize(
    ("gaps", "code"),
    [
        ((0.7, 0.8, 0.9, 0.8), "offset_lasts"),
        ((-0.7, -0.8, -0.9, -0.8), "offset_lasts"),
        ((0.8, -0.7, 0.9, -0.6), "offset_none"),
        ((0.10, 0.11, 0.09, 0.10), "offset_none"),
        ((0.8, 0.8), "offset_few_days"),
    ],
    ids=["deeper", "shallower", "noise", "smaller than half a step", "two days"],
)
def test_a_difference_lasts_if_it_is_clear_and_large_over_several_days(gaps, code, catalogue: Catalogue):
    table = set_point_offsets(days(*gaps), catalogue)
    assert table.schema == OFFSET_SCHEMA
    row = table.row(0, named=True)
    assert (row["reason_code"], row["days"], row["bins"]) == (code, len(gaps), 400 * len(gaps))
    assert row["gap"] == pytest.approx(np.mean(gaps))
    if code != "offset_few_days":
        half = {3: 3.182446}[len(gaps) - 1] * np.std(gaps, ddof=1) / np.sqrt(len(gaps))
        assert (row["lo95"], row["hi95"]) == pytest.approx((np.mean(gaps) - half, np.mean(gaps) + half))


def test_settings_that_left_the_catalogue_and_no_days_give_no_rows(catalogue):
    assert set_point_offsets(days(0.8, 0.8, 0.8, setting="gone_cm"), catalogue).height == 0
    assert set_point_offsets(days(), catalogue).schema == OFFSET_SCHEMA
