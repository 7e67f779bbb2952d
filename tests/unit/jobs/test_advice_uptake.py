"""Uptake of a season: shifts with unchanged inputs keep their rows; a changed log, advice or weather judges again."""

import datetime as dt
from types import SimpleNamespace
from typing import TYPE_CHECKING, cast

import polars as pl
import pytest

from tests.unit.storage.test_advice_record import DAWN, DAY, SETTING, advice, facts, set_facts
from transforms.config.settings_catalogue import load_catalogue
from transforms.jobs.advice_uptake import season_uptake
from transforms.outcome.uptake import uptake
from transforms.storage.advice_record import record_advice
from transforms.storage.lake import Lake
from transforms.storage.warehouse import Warehouse

if TYPE_CHECKING:
    from transforms.config.workspace import Season

BEGINS = dt.datetime(2025, 10, 9, 5, tzinfo=dt.UTC)
SETUP = {"time_zone": "Europe/Berlin", "shift_starts": dt.time(5, 30), "catalogue": load_catalogue()}
SEASON = cast("Season", SimpleNamespace(**SETUP))
INSTANT = pl.Datetime("us", "UTC")


def log(warehouse: Warehouse, lake: Lake, level: float, fingerprint: str) -> None:
    """Write the bins of M1 on the day, from the evening before its shift to its end."""
    times = [BEGINS + dt.timedelta(seconds=30 * k) for k in range(-240, 600)]
    bins = pl.DataFrame({"bin_at": times, SETTING: [30.0] * 240 + [level] * 600}, schema_overrides={"bin_at": INSTANT})
    path = lake.bin_path("m1", "2025-10-09")
    path.parent.mkdir(parents=True, exist_ok=True)
    bins.with_columns(
        machine_id=pl.lit("M1"), field_id=pl.lit("F1"), state=pl.lit("working"), work_s=30.0, area_ha=0.01
    ).write_parquet(str(path))
    day = {"machine": "m1", "day": "2025-10-09", "machine_id": "M1", "first_at": times[0], "last_at": times[-1]}
    day |= {"bins": 840, "working_h": 4.8, "area_ha": 5.8, "fingerprint": fingerprint}
    warehouse.replace("machine_day", pl.DataFrame([day], schema_overrides={"first_at": INSTANT, "last_at": INSTANT}))


@pytest.fixture
def warehouse():
    with Warehouse.in_memory() as opened:
        set_facts(opened, facts())
        record_advice(opened, advice(("M1", 30.0, 40.0), ("M2", 30.0, 40.0)).with_columns(field_id=pl.lit("F1")), DAWN)
        hours = pl.DataFrame(schema={"field_id": pl.String, "hour_at": INSTANT, "topsoil_wetness": pl.Float64})
        opened.replace("field_hour", hours)
        yield opened


def codes(rows: pl.DataFrame) -> list[tuple[object, ...]]:
    return rows.select("machine_id", "uptake_code", "reason_code").rows()


def test_the_shift_begins_at_its_local_hour_and_a_machine_without_a_log_is_unknown(warehouse, tmp_path):
    lake = Lake(tmp_path)
    log(warehouse, lake, 40.0, "a")
    assert season_uptake(warehouse, lake, SEASON).height == 0, "the shift has no loads yet"
    set_facts(warehouse, facts(("L1", "M1", DAY, 40.0)))
    rows = season_uptake(warehouse, lake, SEASON)
    assert codes(rows) == [("M1", "followed", None), ("M2", "unknown", "no_log")]
    # 5:30 in Berlin is 3:30 UTC: the 60 half minutes before are of the shift before.
    assert rows["judged_s"].to_list() == [780 * 30.0, 0.0]
    assert rows["first_at"][0] == BEGINS


def test_only_a_shift_whose_inputs_changed_is_judged_again(warehouse, tmp_path, monkeypatch):
    lake, judged = Lake(tmp_path), list[list[str]]()

    def noted(moves: pl.DataFrame, *rest: pl.DataFrame) -> pl.DataFrame:
        judged.append(moves["machine_id"].to_list())
        return uptake(moves, *rest)

    set_facts(warehouse, facts(("L1", "M1", DAY, 40.0)))
    log(warehouse, lake, 40.0, "a")
    monkeypatch.setattr("transforms.jobs.advice_uptake.uptake", noted)
    warehouse.replace("advice_uptake", season_uptake(warehouse, lake, SEASON))
    first = warehouse.table("advice_uptake")
    assert season_uptake(warehouse, lake, SEASON).equals(first)
    assert judged == [["M1", "M2"]]
    log(warehouse, lake, 30.0, "b")
    assert codes(season_uptake(warehouse, lake, SEASON))[0] == ("M1", "not", None)
    wet = {"field_id": "F1", "hour_at": BEGINS, "topsoil_wetness": 0.9}
    warehouse.replace("field_hour", pl.DataFrame([wet], schema_overrides={"hour_at": INSTANT}))
    season_uptake(warehouse, lake, SEASON)
    assert judged == [["M1", "M2"], ["M1"], ["M1", "M2"]]
