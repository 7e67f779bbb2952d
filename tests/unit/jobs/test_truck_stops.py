"""Stops of trucks of a season are found again only for days that changed."""

import dataclasses
import datetime as dt
from pathlib import Path

import polars as pl
import pytest

from tests.support.taking import found
from transforms.config.settings_catalogue import load_catalogue
from transforms.config.workspace import Season, init_workspace
from transforms.ingest.ingest_file import IngestTarget, ingest_file
from transforms.ingest.mapping_file import parse_mapping
from transforms.jobs.truck_stops import stops_by_field, update_truck_stops
from transforms.storage.lake import Lake
from transforms.storage.warehouse import Warehouse

AT = dt.datetime(2025, 10, 14, 8, tzinfo=dt.UTC)
COLUMNS = {
    "truck_id": {"from": "truck"},
    "logged_at": {"from": "at", "format": "%Y-%m-%dT%H:%M:%SZ", "time_zone": "UTC"},
    "lat_deg": {"from": "lat", "unit": "deg"},
    "lon_deg": {"from": "lon", "unit": "deg"},
}


@pytest.fixture
def season(tmp_path: Path) -> Season:
    season = init_workspace(tmp_path / "w").season
    return dataclasses.replace(season, sites={"N": (50.2, 14.4)})


def deliver(warehouse: Warehouse, lake: Lake, path: Path, rows: list[tuple[str, dt.datetime, float, float]]) -> None:
    lines = [f"{truck},{at:%Y-%m-%dT%H:%M:%SZ},{lat},{lon}" for truck, at, lat, lon in rows]
    path.write_text("\n".join(["truck,at,lat,lon", *lines, ""]))
    mapping = parse_mapping(
        {"kind": "truck_position", "files": ["*"], "columns": COLUMNS}, "m", load_catalogue(), "test"
    )
    ingest_file(found(path), [mapping], load_catalogue(), IngestTarget(warehouse, lake))


def bin_day(warehouse: Warehouse, lake: Lake, machine: str, fingerprint: str, lat: float = 50.1) -> None:
    bins = pl.DataFrame(
        {
            "machine_id": machine,
            "bin_at": [AT + dt.timedelta(seconds=30 * k) for k in range(40)],
            "state": "unloading",
            "work_s": 0.0,
            "area_ha": 0.0,
            "field_id": "F1",
            "lat_deg": lat,
            "lon_deg": 14.4,
        }
    ).with_columns(pl.col("bin_at").dt.cast_time_unit("us"))
    key = (lake.folder_name(machine), str(AT.date()))
    lake.put_day(bins, "bin", key)
    old = pl.DataFrame([key], schema=["machine", "day"], orient="row")
    warehouse.delete_matching("binned_day", old)
    warehouse.append("binned_day", old.with_columns(pl.lit(fingerprint).alias("fingerprint")))


def test_days_are_found_again_only_if_their_positions_bins_or_sites_changed(tmp_path, season):
    lake = Lake(tmp_path / "lake")
    standing = [("T1", AT + dt.timedelta(minutes=i), 50.1, 14.4) for i in range(10)]
    with Warehouse.in_memory() as warehouse:
        assert update_truck_stops(warehouse, lake, season) == 0
        bin_day(warehouse, lake, "M1", "a")
        deliver(warehouse, lake, tmp_path / "one.csv", standing)
        assert update_truck_stops(warehouse, lake, season) == 1
        (stop,) = warehouse.table("truck_stop").to_dicts()
        assert (stop["truck_id"], stop["machine_id"], stop["field_id"]) == ("T1", "M1", "F1")
        assert update_truck_stops(warehouse, lake, season) == 0

        deliver(warehouse, lake, tmp_path / "two.csv", [("T1", AT + dt.timedelta(hours=1), 50.2, 14.4)])
        assert update_truck_stops(warehouse, lake, season) == 1
        bin_day(warehouse, lake, "M1", "b", lat=50.15)
        assert update_truck_stops(warehouse, lake, season) == 1
        assert warehouse.table("truck_stop")["machine_id"].drop_nulls().len() == 0
        assert update_truck_stops(warehouse, lake, dataclasses.replace(season, sites={})) == 1


def test_a_file_that_is_taken_back_takes_its_stops_with_it(tmp_path, season):
    lake = Lake(tmp_path / "lake")
    with Warehouse.in_memory() as warehouse:
        bin_day(warehouse, lake, "M1", "a")
        deliver(warehouse, lake, tmp_path / "one.csv", [("T1", AT, 50.1, 14.4)])
        update_truck_stops(warehouse, lake, season)
        warehouse.delete_source(found(tmp_path / "one.csv").sha)
        update_truck_stops(warehouse, lake, season)
        assert (warehouse.table("truck_stop").height, warehouse.table("truck_stop_day").height) == (0, 0)


def test_a_stay_over_midnight_is_a_stop_on_both_days(tmp_path, season):
    lake = Lake(tmp_path / "lake")
    night = dt.datetime(2025, 10, 14, 22, tzinfo=dt.UTC)
    with Warehouse.in_memory() as warehouse:
        rows = [("T1", night + dt.timedelta(minutes=5 * i), 50.2, 14.4) for i in range(49)]
        deliver(warehouse, lake, tmp_path / "one.csv", rows)
        assert update_truck_stops(warehouse, lake, season) == 2
        stops = warehouse.table("truck_stop").sort("arrived_at")
    midnight = dt.datetime(2025, 10, 15, tzinfo=dt.UTC)
    assert stops.select("arrived_at", "left_at").rows() == [
        (night, midnight),
        (midnight, midnight + dt.timedelta(hours=2)),
    ]


def test_a_field_gets_the_stops_in_it_and_its_trucks_at_sites_that_day():
    def row(truck: str, day: str, machine: str | None, field: str | None, site: str | None):
        return {"day": day, "truck_id": truck, "machine_id": machine, "field_id": field, "site_id": site} | {
            "arrived_at": AT,
            "left_at": AT,
            "distance_m": 1.0,
        }

    stops = pl.DataFrame(
        [
            row("T1", "d1", "M1", "F1", None),
            row("T1", "d1", None, None, "N"),
            row("T1", "d2", None, None, "N"),
            row("T2", "d1", None, None, "N"),
            row("T2", "d1", "M2", "F2", None),
        ]
    )
    found_stops = stops_by_field(stops)
    assert {f: s.select("truck_id", "machine_id", "site_id").rows() for f, s in found_stops.items()} == {
        "F1": [("T1", None, "N"), ("T1", "M1", None)],
        "F2": [("T2", None, "N"), ("T2", "M2", None)],
    }
