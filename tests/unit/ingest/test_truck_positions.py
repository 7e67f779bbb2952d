"""Truck positions: CSV, Parquet and GPX 1.1 give the same rows, and damaged files lose only what is damaged."""

import datetime as dt
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from tests.support.taking import take
from transforms.config.settings_catalogue import load_catalogue
from transforms.ingest.mapping_file import parse_mapping
from transforms.ingest.propose.propose import propose
from transforms.ingest.propose.sniff import sniff
from transforms.ingest.propose.table import ProposalContext

COLUMNS: dict[str, dict[str, Any]] = {
    "truck_id": {"from": "truck"},
    "logged_at": {"from": "time", "format": "%Y-%m-%dT%H:%M:%SZ", "time_zone": "UTC"},
    "lat_deg": {"from": "lat", "unit": "deg"},
    "lon_deg": {"from": "lon", "unit": "deg"},
    "speed_kmh": {"from": "kmh", "unit": "kmh"},
}
AT = dt.datetime(2025, 10, 14, 8, tzinfo=dt.UTC)
ROWS = [(f"T{1 + i // 3}", AT + dt.timedelta(minutes=i), 50.1 + 0.001 * i, 14.4, 36.0) for i in range(6)]


def mapping(columns: dict[str, Any] | None = None, **layout: Any):
    table = {"kind": "truck_position", "files": ["*"], "columns": columns or {}, **layout}
    return parse_mapping(table, "m", load_catalogue(), "test")


def point(at: str, lat: float = 50.1, lon: float = 14.4, rest: str = "") -> str:
    return f'<trkpt lat="{lat}" lon="{lon}"><time>{at}</time>{rest}</trkpt>'


def track(points: str, name: str = "<name>T1</name>") -> str:
    return f"<trk>{name}<trkseg>{points}</trkseg></trk>"


def gpx(path: Path, inner: str, head: str = '<?xml version="1.0"?>') -> Path:
    text = f'{head}<gpx version="1.1" creator="r" xmlns="http://www.topografix.com/GPX/1/1">{inner}</gpx>'
    path.write_text(text, "utf-8")
    return path


def as_gpx(path: Path) -> Path:
    speed = "<extensions><s:speed xmlns:s='urn:s'>10</s:speed></extensions>"
    inner = ""
    for truck in ("T1", "T2"):
        own = [r for r in ROWS if r[0] == truck]
        inner += track(
            "".join(point(f"{a:%FT%TZ}", lat, lon, speed) for _, a, lat, lon, _ in own), f"<name>{truck}</name>"
        )
    return gpx(path, inner)


def as_table(path: Path) -> Path:
    rows = pl.DataFrame(ROWS, schema=["truck", "time", "lat", "lon", "kmh"], orient="row")
    if path.suffix == ".parquet":
        rows.write_parquet(path)
    else:
        rows.with_columns(pl.col("time").dt.strftime("%FT%TZ")).write_csv(path)
    return path


@pytest.mark.parametrize("name", ["p.csv", "p.parquet", "p.gpx"])
def test_every_format_gives_the_same_positions(tmp_path, catalogue, name):
    if name.endswith("gpx"):
        out = take(as_gpx(tmp_path / name), mapping(form="gpx"), catalogue)
    else:
        out = take(as_table(tmp_path / name), mapping(COLUMNS), catalogue)
    read = out.accepted.select("truck_id", "logged_at", "lat_deg", "lon_deg", "speed_kmh").rows()
    assert [r[:2] for r in read] == [r[:2] for r in ROWS]
    assert [r[2:] for r in read] == [pytest.approx(r[2:]) for r in ROWS]
    assert out.rejected.height == 0


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2025-10-14T08:00:00Z", AT),
        ("2025-10-14T10:00:00+02:00", AT),
        ("2025-10-14T10:00:00.250+0200", AT + dt.timedelta(milliseconds=250)),
        ("2025-10-14T08:00:00", AT),
    ],
)
def test_times_without_zone_are_utc_and_offsets_count(tmp_path, catalogue, text, expected):
    out = take(gpx(tmp_path / "t.gpx", track(point(text))), mapping(form="gpx"), catalogue)
    assert out.accepted["logged_at"].to_list() == [expected]


@pytest.mark.parametrize(
    ("bad", "rule"),
    [
        (point("yesterday"), "not_a_time"),
        ('<trkpt lat="50.1" lon="14.4"></trkpt>', "logged_at|nullability"),
        (point("2025-10-14T09:00:00Z", lat=95), "lat_deg|max"),
        (point("2025-10-14T09:00:00Z", lat=0, lon=0), "position_not_fixed"),
        (point("2025-10-14T09:00:00Z").replace("50.1", "fifty"), "not_a_number"),
        (point("2025-10-14T08:00:00Z", lat=51), "same_key_twice"),
    ],
)
def test_a_point_that_cannot_be_used_is_rejected_with_its_rule(tmp_path, catalogue, bad, rule):
    path = gpx(tmp_path / "t.gpx", track(point("2025-10-14T08:00:00Z") + bad + point("2025-10-14T09:30:00Z")))
    out = take(path, mapping(form="gpx"), catalogue)
    assert out.rejected.select("line", "rule").rows() == [(2, rule)]
    assert out.accepted.height == 2


def test_a_repeated_point_counts_once(tmp_path, catalogue):
    out = take(gpx(tmp_path / "t.gpx", track(2 * point("2025-10-14T08:00:00Z"))), mapping(form="gpx"), catalogue)
    assert (out.accepted.height, out.rejected.height) == (1, 0)


def test_the_truck_may_be_the_tracks_number_or_in_the_files_name(tmp_path, catalogue):
    path = gpx(tmp_path / "truck_7_day.gpx", track(point("2025-10-14T08:00:00Z"), "<number>12</number>"))
    assert take(path, mapping(form="gpx"), catalogue).accepted["truck_id"].to_list() == ["12"]
    by_name = mapping({"truck_id": {"file_name": r"truck_(\d+)_"}}, form="gpx")
    assert take(path, by_name, catalogue).accepted["truck_id"].to_list() == ["7"]


def test_a_file_cut_short_keeps_the_points_before_the_cut(tmp_path, catalogue):
    path = as_gpx(tmp_path / "t.gpx")
    path.write_bytes(path.read_bytes()[:-200])
    out = take(path, mapping(form="gpx"), catalogue)
    assert out.accepted.height >= 4
    assert out.rejected["rule"].to_list() == ["not_gpx"]


@pytest.mark.parametrize(
    ("content", "rule"),
    [
        ('<!DOCTYPE gpx [<!ENTITY a "b">]><gpx><trk/></gpx>', "xml_doctype"),
        ("<kml><trk/></kml>", "not_gpx"),
        ("<gpx></gpx>", "not_gpx"),
        ("", "not_gpx"),
        ("nothing", "not_gpx"),
        ("<gpx>" + "<a>" * 200, "xml_too_large"),
        ("<gpx><trk><name>" + "n" * 100_000, "xml_too_large"),
    ],
)
def test_a_file_that_is_no_track_is_rejected_whole(tmp_path, catalogue, content, rule):
    path = tmp_path / "t.gpx"
    path.write_text(content)
    out = take(path, mapping(form="gpx"), catalogue)
    assert out.rejected["rule"].to_list() == [rule]
    assert out.accepted.height == 0


def test_names_of_people_and_waypoints_are_not_read(tmp_path, catalogue):
    inner = '<metadata><author><name>Driver D</name></author></metadata><wpt lat="1" lon="1"><name>W</name></wpt>'
    out = take(gpx(tmp_path / "t.gpx", inner + track(point("2025-10-14T08:00:00Z"))), mapping(form="gpx"), catalogue)
    assert out.accepted["truck_id"].to_list() == ["T1"]


def test_several_pieces_of_a_long_track_are_read_in_order(tmp_path, catalogue, monkeypatch):
    monkeypatch.setattr("transforms.ingest.readers.gpx.PIECE_POINTS", 40)
    monkeypatch.setattr("transforms.ingest.readers.gpx.BLOCK_BYTES", 1000)
    points = "".join(point(f"{AT + dt.timedelta(seconds=5 * i):%FT%TZ}") for i in range(333))
    out = take(gpx(tmp_path / "t.gpx", track(points)), mapping(form="gpx"), catalogue)
    assert (out.accepted.height, out.rejected.height) == (333, 0)
    assert out.accepted["line"].to_list() == list(range(1, 334))


def proposed(path: Path):
    (only,) = propose(sniff(path), path, ProposalContext(load_catalogue(), "Europe/Berlin", {}), {})
    return only


def test_map_proposes_the_track_as_truck_or_else_the_name_of_the_file(tmp_path):
    named = proposed(as_gpx(tmp_path / "a.gpx"))
    assert (named.kind, named.layout["form"]) == ("truck_position", "gpx")
    rows = {c.column: c.row for c in named.columns}
    assert rows["truck_id"] == {"from": ["track"]}
    unnamed = proposed(gpx(tmp_path / "truck 9.gpx", track(point("2025-10-14T08:00:00Z"), "")))
    assert "file_name" in {c.column: c.row for c in unnamed.columns}["truck_id"]


@pytest.mark.parametrize(
    "header",
    [
        "Truck;Time;Latitude;Longitude;Speed km/h",
        "LKW;Zeit;Breite;Länge;Geschwindigkeit km/h",
        "Camion;Date heure;Latitude;Longitude;Vitesse km/h",
        "Pojazd;Czas;Szerokość;Długość;Prędkość km/h",
        "Kenteken;Tijd;Breedtegraad;Lengtegraad;Snelheid km/h",
        "Matrícula;Fecha hora;Latitud;Longitud;Velocidad km/h",
        "Госномер;Время;Широта;Долгота;Скорость км/ч",
        "SPZ;Čas;Zeměpisná šířka;Zeměpisná délka;Rychlost km/h",
    ],
    ids=lambda h: h.split(";")[0],
)
def test_map_recognises_positions_of_trucks_in_a_table(tmp_path, header):
    path = tmp_path / "positions.csv"
    at = [AT + dt.timedelta(minutes=i) for i in range(30)]
    rows = [
        f"LK {1 + i % 3};{a:%d.%m.%Y %H:%M:%S};{50 + i / 1000:.4f};{14 + i / 1000:.4f};{30 + i % 9}"
        for i, a in enumerate(at)
    ]
    path.write_text("\n".join([header, *rows, ""]), "utf-8")
    found = proposed(path)
    assert found.kind == "truck_position"
    names = {c.column: c.row.get("from") for c in found.columns}
    wanted = ("truck_id", "logged_at", "lat_deg", "lon_deg", "speed_kmh")
    assert [names.get(c) for c in wanted] == [[h] for h in header.split(";")]
