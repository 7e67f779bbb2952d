"""Binning of a machine whose height is flagged on every day: it is asked about, kept, and nothing is binned again."""

import datetime as dt

import numpy as np
import polars as pl
import pytest

from tests.support.canonical import as_text, mapping_of
from tests.support.taking import found
from tests.unit.telemetry.test_stuck import held, machine_day
from transforms.ingest.ingest_file import IngestTarget, ingest_file
from transforms.ingest.mapping_file import read_mapping
from transforms.jobs.machine_days import bin_days, stale_days
from transforms.operations.sensor_questions import sensor_questions
from transforms.storage.lake import Lake, read_frame
from transforms.storage.warehouse import Warehouse

DAYS = 4
HEIGHT, SPEED = "separator_1_height_mm", "cleaner_2_speed_rpm"


def half_set_days() -> pl.DataFrame:
    """Each day the height is constant for 50 minutes; on the first day, so is a speed, later."""
    rng = np.random.default_rng(2)
    frames = []
    for day in range(DAYS):
        plain = machine_day()
        height = held(40 + rng.normal(0, 1.0, plain.height), 300, 600)
        speed = plain[SPEED].to_numpy()
        frames.append(
            plain.with_columns(
                pl.col("logged_at") + dt.timedelta(days=day),
                pl.Series(HEIGHT, height),
                pl.Series(SPEED, held(speed, 900, 1200) if day == 0 else speed),
            )
        )
    return pl.concat(frames)


def stuck_days(warehouse: Warehouse) -> list[tuple[str, int]]:
    faults = warehouse.table("sensor_fault").filter(fault_code="stuck")
    return faults.group_by("setting").agg(pl.len()).sort("setting").rows()


SETUP = pl.DataFrame(
    {
        "machine_id": ["M1"],
        "valid_from_at": pl.Series([dt.datetime(2025, 9, 1, tzinfo=dt.UTC)]).dt.cast_time_unit("us"),
        "generation": ["one"],
        "rows_count": [6.0],
        "row_spacing_cm": [50.0],
        "tank_capacity_t": [20.0],
    }
)


def test_a_questioned_height_is_in_the_bins_and_a_stuck_speed_is_not(tmp_path, catalogue):
    lake = Lake(tmp_path / "lake")
    with Warehouse.in_memory() as warehouse:
        for kind, rows in (("telemetry", half_set_days()), ("machine_setup", SETUP)):
            (tmp_path / f"{kind}.csv").write_text(as_text(rows).write_csv())
            (tmp_path / f"{kind}.toml").write_text(mapping_of(kind, rows, f"{kind}.csv"))
            mapping = read_mapping(tmp_path / f"{kind}.toml", catalogue)
            store = IngestTarget(warehouse, lake)
            (received,) = ingest_file(found(tmp_path / f"{kind}.csv"), [mapping], catalogue, store) or []
            assert received.rows_accepted == rows.height

        def bin_stale() -> int:
            stale = stale_days(warehouse, catalogue, set())
            return bin_days(stale, warehouse, lake, catalogue, lambda: None)

        assert bin_stale() == DAYS
        assert stuck_days(warehouse) == [(SPEED, 1), (HEIGHT, DAYS)]
        assert bin_stale() == DAYS
        assert stuck_days(warehouse) == [(SPEED, 1)]
        assert bin_stale() == 0
        asked = sensor_questions(warehouse)
        assert asked.rows() == [(asked["machine_id"][0], HEIGHT, "stuck", DAYS, DAYS)]
        (machine, day), *_ = sorted((m, d) for m, d, _ in warehouse.table("binned_day").iter_rows())
        bins = read_frame(lake.bin_path(machine, day)).sort("bin_at")
    assert bins[HEIGHT].null_count() == 0
    assert bins[SPEED].null_count() == pytest.approx(100, abs=2)  # 300 records, three in a bin
