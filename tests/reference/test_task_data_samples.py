"""Reference facts of task data found in the wild (open-licence samples; where they are not at hand, skipped).

Source of the facts: the strict reading of each sample noted beside it in `formats.md` of the shared folder.
"""

import datetime as dt
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from tests.support.taking import take
from transforms.ingest.mapping_file import parse_mapping
from transforms.ingest.readers.iso11783.task_data import Quantity, Scale
from transforms.ingest.readers.iso11783.values import Logged, scaled

SAMPLES = Path(__file__).parents[3] / "shared" / "samples"
pytestmark = pytest.mark.skipif(not SAMPLES.exists(), reason="the samples are not at hand")


def at(text: str) -> dt.datetime:
    return dt.datetime.fromisoformat(text).replace(tzinfo=dt.UTC)


@pytest.fixture
def taken(catalogue):
    def run(name: str):
        table = {"kind": "telemetry", "files": ["*"], "form": "iso11783", "time_zone": "UTC"}
        return take(SAMPLES / name, parse_mapping(table, "m", catalogue, "test"), catalogue)

    return run


def test_local_time_harvester(taken):
    out = taken("v4_localtime_harvester")
    logs = {part: rows for (part,), rows in out.accepted.group_by("part")}
    assert {part: rows.height for part, rows in logs.items()} == {"TLG00001": 314, "TLG00002": 27, "TLG00003": 4336}
    first, third = logs["TLG00001"], logs["TLG00003"]
    assert first["logged_at"].min() == at("2022-01-02T17:30:25.104")  # local time is UTC+2
    assert first["logged_at"].max() == at("2022-01-02T17:35:38.313")
    assert third["logged_at"].min() == at("2022-01-02T17:37:35.473")
    assert third["logged_at"].max() == at("2022-01-02T18:49:53.025")
    assert first["ground_speed_kmh"].max() == pytest.approx(11_608 * 0.0036)
    assert third["ground_speed_kmh"].max() == pytest.approx(11_825 * 0.0036)
    assert first["ground_speed_kmh"].min() == third["ground_speed_kmh"].min() == 0
    assert logs["TLG00002"]["ground_speed_kmh"].null_count() == 27
    assert out.received.rows_rejected == 0


def test_engine_speed_follows_the_device_where_the_dictionary_makes_ten_thousand():
    says = Quantity("engine speed", Scale(0, 0.000016667, "1/min"))
    raw = np.array([106_660_000.0])
    value, unit, finding = scaled(raw, Logged(0, 484, "engine", says, None), None, ("rpm", 500, 2500))
    assert (unit, round(float(value[0]))) == ("rpm", 1778)
    assert finding is not None


def test_parts_by_reference_and_a_clock_34_minutes_off(taken):
    out = taken("v4_xfr_linklist")
    rows = out.accepted
    assert rows.height == 207
    # 14:54:04.969 to 14:54:43.927 by the machine's clock, 34 min behind satellite time.
    assert rows["logged_at"].max() - rows["logged_at"].min() == pytest.approx(
        dt.timedelta(seconds=38.958), abs=dt.timedelta(milliseconds=1)
    )
    assert rows["logged_at"].min().replace(microsecond=0) == at("2021-04-09T15:28:03")
    (minutes,) = [args["minutes"] for code, args in out.findings if code == "machine_clock_wrong"]
    assert minutes == pytest.approx(-34, abs=0.05)
    lon, lat = rows["lon_deg"], rows["lat_deg"]
    assert (lon.min(), lat.min(), lon.max(), lat.max()) == pytest.approx(
        (9.5777866, 45.5277534, 9.5779409, 45.5278066), abs=1e-9
    )
    assert rows["ground_speed_kmh"].min() == 0
    assert rows["ground_speed_kmh"].max() == pytest.approx(2_210 * 0.0036)


@pytest.mark.parametrize("name", ["v3_planter_jump", "zip_nested_mac/MultiSubFolderAndMac.zip"])
def test_a_position_that_jumps_continents_stays_to_be_judged_later(taken, name):
    out = taken(name)
    assert out.received.rows_in == 373
    assert out.accepted.height + out.received.rows_repeated == 373
    assert out.accepted["logged_at"].min() == at("2022-10-19T16:03:17")
    assert out.accepted["logged_at"].max() == at("2022-10-19T16:05:28.400")
    west, east = out.accepted["lon_deg"].min(), out.accepted["lon_deg"].max()
    assert east - west > 20


def test_a_header_cut_short_is_a_reason_and_its_neighbour_is_read(taken):
    out = taken("v4_broken_header")
    assert out.accepted["part"].unique().to_list() == ["TLG00006"]
    assert out.accepted.height == 187
    why = out.rejected.filter(pl.col("part") == "TLG00003").row(0, named=True)
    assert why["rule"] == "not_xml"
    assert why["reason_code"] == "not_xml"


@pytest.mark.parametrize("name", sorted(p.name for p in SAMPLES.iterdir()) if SAMPLES.exists() else [])
def test_every_sample_is_read_or_refused_with_a_reason_and_its_clock_is_judged(taken, name):
    archives = sorted((SAMPLES / name).glob("*.zip"))
    out = taken(f"{name}/{archives[0].name}" if archives else name)
    assert out.accepted.height > 100
    assert all(code for code, _ in out.reasons)
    clocks = [code for code, _ in out.findings if code.startswith(("zone_", "machine_clock", "satellite_"))]
    assert len(clocks) >= out.accepted["part"].n_unique()
    # The mapping of this test says UTC, which is a zone of western Europe and Africa.
    places = out.accepted.group_by("part").agg(pl.col("lon_deg").drop_nulls().first())
    is_far = places.filter(pl.col("lon_deg").abs() > 60).height > 0 and "zone_of_mapping" in clocks
    assert ("zone_unlike_position" in clocks) == is_far
