"""Readers of what offices have: sheets, outlines, climate archives, Parquet, and text in every dialect."""

import datetime as dt
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import polars as pl
import pytest
import shapely
import xlsxwriter
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.support.taking import take
from transforms.geo import area_ha, fields_of_places
from transforms.ingest.chunk import EMPTY_WORDS, LINE
from transforms.ingest.mapping_file import parse_mapping
from transforms.ingest.readers import delimited
from transforms.ingest.readers.text_layout import TextLayout

WHEN = {"format": "%Y-%m-%d %H:%M:%S", "time_zone": "UTC"}
TARE = {
    "sample_id": {"from": "Sample"},
    "load_id": {"from": "Ticket"},
    "dirt_tare_pct": {"from": "Dirt", "unit": "pct"},
}
LOG = {"machine_id": {"value": "M1"}, "logged_at": {"from": "t", "format": "%Y-%m-%dT%H:%M:%SZ", "time_zone": "UTC"}}


def mapping(catalogue, kind: str, columns: dict[str, Any], **layout):
    return parse_mapping({"kind": kind, "files": ["*"], "columns": columns, **layout}, "m", catalogue, "test")


def book(path: Path, sheets: dict[str, list[list[Any]]], merge: Sequence[tuple[str, int, int, int, str]] = ()) -> Path:
    with xlsxwriter.Workbook(path) as out:
        for name, rows in sheets.items():
            page = out.add_worksheet(name)
            for i, row in enumerate(rows):
                page.write_row(i, 0, row)
            for sheet, line, first, last, text in merge:
                if sheet == name:
                    page.merge_range(line, first, line, last, text)
    return path


# --- sheets -----------------------------------------------------------------------------------------------------------


def test_sheets_named_by_a_pattern_are_all_read_and_others_are_not(tmp_path, catalogue):
    head = ["Sample", "Ticket", "Dirt"]
    path = book(
        tmp_path / "t.xlsx",
        {
            "Week 40": [head, ["s1", "t1", 6.5]],
            "Week 41": [head, ["s2", "t2", 7.5]],
            "Notes": [["hello"]],
        },
    )
    out = take(path, mapping(catalogue, "tare", TARE, sheet="Week *"), catalogue)
    assert out.accepted.select("part", "line", "sample_id").rows() == [("Week 40", 2, "s1"), ("Week 41", 2, "s2")]


def test_a_sheet_among_several_that_lacks_a_column_is_told(tmp_path, catalogue):
    path = book(tmp_path / "t.xlsx", {"A": [["Sample", "Ticket", "Dirt"], ["s1", "t1", 6.5]], "B": [["Other"], ["x"]]})
    out = take(path, mapping(catalogue, "tare", TARE, sheet="*"), catalogue)
    assert out.accepted.height == 1
    assert out.rejected.select("part", "rule").rows() == [("B", "sheet_unread")]


def test_merged_header_cells_a_unit_row_lines_above_and_totals_below(tmp_path, catalogue):
    path = book(
        tmp_path / "t.xlsx",
        {
            "Lab": [
                ["Laboratory north, week 40"],
                [],
                ["", "", "", ""],
                ["Sample", "Ticket", "Soil", "Tops"],
                ["", "", "%", "%"],
                ["s1", "t1", 6.5, 4],
                [],
                ["s2", "t2", 7.5, 5],
                ["Total", "", 14.0, 9],
                ["Summe:", 2, "", ""],
            ]
        },
        [("Lab", 2, 2, 3, "Tare")],
    )
    columns = {
        **TARE,
        "dirt_tare_pct": {"from": "Tare Soil", "unit": "pct"},
        "top_tare_pct": {"from": "Tare Tops", "unit": "pct"},
    }
    read = mapping(catalogue, "tare", columns, sheet="Lab", header_line=3, header_rows=2, unit_row=True)
    out = take(path, read, catalogue)
    assert out.accepted.select("line", "sample_id", "dirt_tare_pct", "top_tare_pct").rows() == [
        (6, "s1", 6.5, 4.0),
        (8, "s2", 7.5, 5.0),
    ]
    assert (out.received.rows_in, out.received.rows_repeated, out.received.rows_rejected) == (4, 2, 0)


def test_cells_of_a_sheet_keep_dates_numbers_and_formula_text(tmp_path, catalogue):
    path = tmp_path / "l.xlsx"
    with xlsxwriter.Workbook(path, {"default_date_format": "yyyy-mm-dd hh:mm:ss"}) as out:
        page = out.add_worksheet("L")
        page.write_row(0, 0, ["No", "Field", "Site", "At", "G", "N"])
        page.write_row(1, 0, [1001, "F1", "north"])
        page.write_datetime(1, 3, dt.datetime(2025, 10, 1, 14, 30))  # noqa: DTZ001
        page.write_row(1, 4, [27000.5, 24000])
        page.write_row(2, 0, [1002])
        page.write_string(2, 1, "=cmd()")
        page.write_row(2, 2, ["north", "2025-10-01 15:00:00", 27000, 24000])
    columns = {
        "load_id": {"from": "No"},
        "field_id": {"from": "Field"},
        "site_id": {"from": "Site"},
        "weighed_at": {"from": "At", **WHEN},
        "delivered_t": {"from": "G", "unit": "kg"},
        "clean_t": {"from": "N", "unit": "kg"},
    }
    out = take(path, mapping(catalogue, "load", columns), catalogue).accepted
    assert out["load_id"].to_list() == ["1001", "1002"]
    assert out["delivered_t"].to_list() == [27.0005, 27.0]
    assert out["weighed_at"].dt.hour().to_list() == [14, 15]
    assert out["field_id"][1] == "=cmd()"


# --- outlines ---------------------------------------------------------------------------------------------------------

SQUARE = [[15.0, 50.0], [15.01, 50.0], [15.01, 50.01], [15.0, 50.01], [15.0, 50.0]]
HOLE = [[15.004, 50.004], [15.006, 50.004], [15.006, 50.006], [15.004, 50.006], [15.004, 50.004]]
TRIANGLE = [[16, 50], [16.01, 50], [16.005, 50.01], [16, 50]]
BOUNDARY = {"field_id": {"from": "id"}, "boundary": {"from": "geometry"}}


def collection(path: Path, *features: tuple[dict[str, Any], object], **more: object) -> Path:
    rows = [{"type": "Feature", "properties": p, "geometry": g} for p, g in features]
    path.write_text(json.dumps({"type": "FeatureCollection", "features": rows, **more}))
    return path


def polygon(*rings: list[list[float]]) -> dict[str, Any]:
    return {"type": "Polygon", "coordinates": list(rings)}


def test_a_place_lies_in_the_field_whose_outline_holds_it_and_not_in_its_holes(tmp_path, catalogue):
    path = collection(
        tmp_path / "f.geojson",
        ({"id": "F1"}, polygon(SQUARE, HOLE)),
        ({"id": "F2"}, {"type": "MultiPolygon", "coordinates": [[TRIANGLE]]}),
    )
    fields = take(path, mapping(catalogue, "field_boundary", BOUNDARY), catalogue).accepted
    lat = pl.Series([50.001, 50.005, 50.002, 50.02, float("nan")]).to_numpy()
    lon = pl.Series([15.001, 15.005, 16.005, 15.005, 15.001]).to_numpy()
    assert fields_of_places(lat, lon, fields).to_list() == ["F1", None, "F2", None, None]


def test_area_and_centre_of_an_outline_can_stand_in_for_the_field_lists(tmp_path, catalogue):
    rest = {"grower": "G1", "station": "S1", "sand": 30, "clay": "20", "om": 2.1, "yield": 75, "row": 50}
    path = collection(tmp_path / "f.json", ({"id": "F1", **rest}, polygon(SQUARE)))
    columns = {
        "field_id": {"from": "id"},
        "grower_id": {"from": "grower"},
        "station_id": {"from": "station"},
        "lat_deg": {"from": "centre lat", "unit": "deg"},
        "lon_deg": {"from": "centre lon", "unit": "deg"},
        "area_ha": {"from": "outline ha", "unit": "ha"},
        "sand_pct": {"from": "sand", "unit": "pct"},
        "clay_pct": {"from": "clay", "unit": "pct"},
        "organic_matter_pct": {"from": "om", "unit": "pct"},
        "yield_t_ha": {"from": "yield", "unit": "t/ha"},
        "row_spacing_cm": {"from": "row", "unit": "cm"},
        "boundary": {"from": "geometry"},
    }
    row = take(path, mapping(catalogue, "field", columns, form="geojson"), catalogue).accepted.row(0, named=True)
    # 0.01 degree at 50 degrees north: 715.9 m by 1112.3 m on WGS 84 (one degree: 71,698 m and 111,229 m at 50.0).
    assert row["area_ha"] == pytest.approx(79.7, abs=0.1)
    assert 50.0 < row["lat_deg"] < 50.01
    assert shapely.from_geojson(row["boundary"]).geom_type == "Polygon"


def test_one_degree_on_the_ellipsoid():
    # Published lengths of a degree on WGS 84 (geodetic tables, from memory): at the equator 111.320 km of longitude and
    # 110.574 km of latitude; at 60 degrees 55.800 km and 111.412 km.
    box = shapely.box(-0.05, -0.05, 0.05, 0.05)
    assert area_ha(box) == pytest.approx(0.01 * 111_320 * 110_574 / 10_000, rel=1e-4)
    assert area_ha(shapely.box(9.95, 59.95, 10.05, 60.05)) == pytest.approx(0.01 * 55_800 * 111_412 / 10_000, rel=1e-3)


@pytest.mark.parametrize(
    ("geometry", "codes"),
    [
        ({"type": "Point", "coordinates": [15, 50]}, {"not_a_polygon"}),
        (
            polygon([[512_000, 5_540_000], [512_100, 5_540_000], [512_100, 5_540_100], [512_000, 5_540_000]]),
            {"not_a_polygon"},
        ),
        ({"type": "Polygon", "coordinates": "here"}, {"geometry_unreadable"}),
        (polygon([[15, 50], [15.01, 50], [15, 50]]), {"not_a_polygon", "geometry_unreadable"}),
        (None, {"column_empty"}),
    ],
)
def test_a_feature_without_a_usable_outline_is_rejected_with_its_reason(tmp_path, catalogue, geometry, codes):
    path = collection(tmp_path / "f.geojson", ({"id": "F1"}, geometry), ({"id": "F2"}, polygon(SQUARE)))
    out = take(path, mapping(catalogue, "field_boundary", BOUNDARY), catalogue)
    assert out.accepted["field_id"].to_list() == ["F2"]
    assert out.reasons[0][0] in codes
    assert json.loads(out.rejected["raw"][0])["properties"] == {"id": "F1"}


def test_an_outline_that_crosses_itself_is_repaired(tmp_path, catalogue):
    bow = [[15.0, 50.0], [15.01, 50.01], [15.01, 50.0], [15.0, 50.01], [15.0, 50.0]]
    path = collection(tmp_path / "f.geojson", ({"id": "F1"}, polygon(bow)))
    (text,) = take(path, mapping(catalogue, "field_boundary", BOUNDARY), catalogue).accepted["boundary"]
    assert shapely.from_geojson(text).is_valid


@pytest.mark.parametrize(
    ("content", "rule"),
    [
        ('{"type": "FeatureCollection", "features": [', "not_geojson"),
        ('{"type": "Topology"}', "not_geojson"),
        ("[" * 100_000, "not_geojson"),
        ('{"features": [], "crs": {"properties": {"name": "EPSG:25833"}}}', "not_wgs84"),
    ],
)
def test_what_is_no_geojson_says_so(tmp_path, catalogue, content, rule):
    path = tmp_path / "f.geojson"
    path.write_text(content)
    out = take(path, mapping(catalogue, "field_boundary", BOUNDARY), catalogue)
    assert out.rejected["rule"].to_list() == [rule]


# --- weather ----------------------------------------------------------------------------------------------------------


def test_ghcn_daily_readings(tmp_path, catalogue):
    path = tmp_path / "ghcn.csv"
    path.write_text(
        "EZE00100082,20251001,TMAX,215,,,E,\nEZE00100082,20251001,TMIN,98,,,E,0700\nEZE00100082,20251001,PRCP,62,,,E,\n"
        "EZE00100082,20251002,TMAX,999,,X,E,\nEZE00100082,20251002,PRCP,-9999,,,E,\nEZE00100082,2025100,PRCP,5,,,E,\n"
    )
    out = take(path, mapping(catalogue, "weather_reading", {}, form="ghcn_daily"), catalogue)
    assert out.accepted.select("element", "value").rows() == [("TMAX", 215.0), ("TMIN", 98.0), ("PRCP", 62.0)]
    assert out.rejected.select("line", "rule").rows() == [(4, "quality_flag"), (6, "not_a_reading")]


def test_ghcn_daily_of_fixed_width(tmp_path, catalogue):
    def month(element: str, values: list[int], flag: str = " ") -> str:
        cells = [f"{v:5d} {flag if v == 999 else ' '}E" for v in values] + ["-9999   "] * (31 - len(values))
        return "EZE00100082202510" + element + "".join(cells)

    path = tmp_path / "EZE00100082.dly"
    path.write_text(month("PRCP", [0, 62, 999], "X") + "\n" + month("TMAX", [215]) + "\n")
    out = take(path, mapping(catalogue, "weather_reading", {}, form="ghcn_daily"), catalogue)
    days = out.accepted.select("line", "element", pl.col("day_at").dt.day(), "value").rows()
    assert days == [(1, "PRCP", 1, 0.0), (1, "PRCP", 2, 62.0), (2, "TMAX", 1, 215.0)]
    assert out.rejected.select("line", "rule").rows() == [(1, "quality_flag")]


def test_a_line_of_many_readings_is_accounted_for_reading_by_reading(tmp_path, catalogue):
    def month(station: str, values: list[int]) -> str:
        return f"{station:11s}202510PRCP" + "".join(f"{v:5d}  E" for v in values).replace("  E", "   ") + "\n"

    path = tmp_path / "x.dly"
    nobody = month("", [1, 2, 3])  # a station without a name: three readings break the same rule
    path.write_text(month("S1", [5, 6, -9999, -9999]) + month("S1", [5, 7, 8, -9999]) + nobody)
    out = take(path, mapping(catalogue, "weather_reading", {}, form="ghcn_daily"), catalogue)
    assert out.accepted.select("line", "value").rows() == [(1, 5.0), (1, 6.0), (2, 8.0)]
    assert out.received.rows_repeated == 1
    assert out.rejected.select("line", "rule").rows() == [
        (2, "same_key_twice"),
        *[(3, "station_id|min_length")] * 3,
    ]


def test_daily_weather_becomes_hours_that_keep_its_extremes_and_its_sums():
    from transforms.conditions.weather import hours_of_days  # noqa: PLC0415

    days = pl.DataFrame(
        {
            "station_id": ["S"],
            "day_at": [dt.datetime(2025, 10, 1, tzinfo=dt.UTC)],
            "air_temp_max_c": [21.5],
            "air_temp_min_c": [9.8],
            "humidity_pct": [80.0],
            "wind_m_s": [3.0],
            "irradiation_mj_m2": [9.6],
            "rain_mm": [6.2],
        }
    ).cast({"day_at": pl.Datetime("us", "UTC")})
    hours = pl.DataFrame(
        schema={
            "station_id": pl.String,
            "hour_at": pl.Datetime("us", "UTC"),
            "air_temp_c": pl.Float64,
            "humidity_pct": pl.Float64,
            "wind_m_s": pl.Float64,
            "irradiation_mj_m2": pl.Float64,
            "rain_mm": pl.Float64,
        }
    )
    out = hours_of_days(hours, days, "Europe/Prague")
    assert out.height == 24
    assert out["hour_at"][0] == dt.datetime(2025, 9, 30, 22, tzinfo=dt.UTC)  # midnight in Prague, summer time
    assert (out["air_temp_c"].max(), out["air_temp_c"].min()) == (pytest.approx(21.5), pytest.approx(9.8))
    assert out["rain_mm"].sum() == pytest.approx(6.2)
    assert out["irradiation_mj_m2"].sum() == pytest.approx(9.6)
    measured = out.head(1).with_columns(pl.lit(1.0).alias("air_temp_c"))
    assert hours_of_days(measured, days, "Europe/Prague")["air_temp_c"][0] == 1.0


def test_a_table_of_days_and_an_archive_make_one_view_of_days(tmp_path, catalogue):
    from tests.support.taking import found  # noqa: PLC0415
    from transforms.ingest.ingest_file import IngestTarget, ingest_file  # noqa: PLC0415
    from transforms.storage.lake import Lake  # noqa: PLC0415
    from transforms.storage.warehouse import Warehouse  # noqa: PLC0415

    table = tmp_path / "days.csv"
    table.write_text("Station;Tag;Tmax;Tmin;Regen\nS1;01.10.2025;21,5;9,8;6,2\nS1;02.10.2025;9,0;11,0;0\n")
    columns = {
        "station_id": {"from": "Station"},
        "day_at": {"from": "Tag", "format": "%d.%m.%Y", "time_zone": "UTC"},
        "air_temp_max_c": {"from": "Tmax", "unit": "degC"},
        "air_temp_min_c": {"from": "Tmin", "unit": "degC"},
        "rain_mm": {"from": "Regen", "unit": "mm"},
    }
    archive = tmp_path / "ghcn.csv"
    elements = (("TMAX", 200), ("TMIN", 50), ("PRCP", 12))
    archive.write_text("".join(f"S1_________,202510{d:02d},{e},{v},,,E,\n" for d in (1, 2) for e, v in elements))
    days = mapping(catalogue, "weather_day", columns, separator=";", decimal=",")
    with Warehouse.in_memory() as warehouse:
        store = IngestTarget(warehouse, Lake(tmp_path / "lake"))
        ingest_file(found(table), [days], catalogue, store)
        ingest_file(found(archive), [mapping(catalogue, "weather_reading", {}, form="ghcn_daily")], catalogue, store)
        view = warehouse.table("weather_day")
        assert warehouse.table("rejected_row")["reason_code"].to_list() == ["lowest_above_highest"]
    rows = view.select("station_id", pl.col("day_at").dt.day(), "air_temp_max_c", "air_temp_min_c", "rain_mm").rows()
    assert rows == [("S1", 1, 21.5, 9.8, 6.2), ("S1_________", 1, 20.0, 5.0, 1.2), ("S1_________", 2, 20.0, 5.0, 1.2)]


# --- Parquet ----------------------------------------------------------------------------------------------------------


def test_parquet_is_read_typed_and_in_units(tmp_path, catalogue):
    path = tmp_path / "log.parquet"
    at = [dt.datetime(2025, 10, 1, 8, tzinfo=dt.UTC) + dt.timedelta(seconds=s) for s in range(3)]
    pl.DataFrame({"t": at, "depth": [60, 80, None], "extra": [[1], [2], [3]]}).write_parquet(path)
    columns = {**LOG, "share_depth_cm": {"from": "depth", "unit": "mm"}}
    out = take(path, mapping(catalogue, "telemetry", columns), catalogue).accepted
    assert out["share_depth_cm"].to_list() == [6.0, 8.0, None]
    assert out["logged_at"].to_list() == at
    naive = tmp_path / "naive.parquet"
    pl.DataFrame({"t": [dt.datetime(2025, 10, 1, 8)], "depth": [60.0]}).write_parquet(naive)  # noqa: DTZ001
    local = {**columns, "logged_at": {**LOG["logged_at"], "time_zone": "Europe/Prague"}}
    assert take(naive, mapping(catalogue, "telemetry", local), catalogue).accepted["logged_at"][0].hour == 6


@pytest.mark.parametrize("content", [b"", b"PAR1", b"PAR1" + b"\x00" * 50 + b"PAR1"])
def test_what_is_no_parquet_says_so(tmp_path, catalogue, content):
    path = tmp_path / "log.parquet"
    path.write_bytes(content)
    out = take(path, mapping(catalogue, "telemetry", LOG), catalogue)
    assert out.rejected["rule"].to_list() == ["not_parquet"]


# --- text in every dialect --------------------------------------------------------------------------------------------


def written(tmp_path: Path, text: str | bytes) -> Path:
    path = tmp_path / "x.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


@pytest.mark.parametrize(
    ("layout", "cell", "value"),
    [
        ({"decimal": ",", "thousands": ".", "separator": ";"}, "1.234,5", 123.45),
        ({"decimal": ".", "thousands": ",", "separator": ";"}, "1,234.5", 123.45),
        ({"decimal": ",", "thousands": " ", "separator": ";"}, "1 234,5", 123.45),
        ({"decimal": ".", "thousands": "'", "separator": ";"}, "1'234.5", 123.45),
        ({"decimal": ",", "separator": "\t"}, "70,5", 7.05),
        ({"decimal": ".", "separator": "|"}, " 70.5 ", 7.05),
        ({"encoding": "cp1252", "separator": ";"}, "70.5", 7.05),
        ({"encoding": "utf-16", "separator": ";"}, "70.5", 7.05),
        ({"separator": ";"}, '"70.5"', 7.05),
        ({"separator": ";"}, "+7.05e1", 7.05),
    ],
)
def test_numbers_as_offices_write_them(tmp_path, catalogue, layout, cell, value):
    separator = layout["separator"]
    text = f"t{separator}Tiefe größe\n2025-10-01T08:00:00Z{separator}{cell}\n"
    columns = {**LOG, "share_depth_cm": {"from": "Tiefe größe", "unit": "mm"}}
    out = take(
        written(tmp_path, text.encode(layout.get("encoding", "utf-8"))),
        mapping(catalogue, "telemetry", columns, **layout),
        catalogue,
    )
    assert out.accepted["share_depth_cm"].to_list() == [pytest.approx(value)]


@pytest.mark.parametrize("word", ["", "n/a", "---", "NA", "null", "NaN", "-"])
def test_words_for_nothing_are_nothing(tmp_path, catalogue, word):
    columns = {**LOG, "share_depth_cm": {"from": "d", "unit": "cm"}}
    out = take(
        written(tmp_path, f"t,d\n2025-10-01T08:00:00Z,{word}\n"), mapping(catalogue, "telemetry", columns), catalogue
    )
    assert out.accepted["share_depth_cm"].to_list() == [None]


def test_scales_of_machines(tmp_path, catalogue):
    columns = {
        **LOG,
        "cleaner_1_speed_rpm": {"from": "c", "unit": "pct", "full_scale": 80},
        "share_depth_cm": {"from": "d", "steps": {"1": 4.0, "5": 8.0, "9": 10.0}},
        "ground_speed_kmh": {"from": "v", "unit": "mph"},
    }
    text = "t,c,d,v\n2025-10-01T08:00:00Z,50,1,4\n2025-10-01T08:00:01Z,75,7,\n2025-10-01T08:00:02Z,75,10,\n"
    out = take(written(tmp_path, text), mapping(catalogue, "telemetry", columns), catalogue)
    rows = out.accepted.select("cleaner_1_speed_rpm", "share_depth_cm", "ground_speed_kmh").rows()
    assert rows == [(40.0, 4.0, pytest.approx(6.437376)), (60.0, 9.0, None)]
    assert out.rejected.select("line", "rule").rows() == [(4, "not_a_step")]


def test_date_and_clock_in_two_columns(tmp_path, catalogue):
    at = {"from": ["Date", "Clock"], "format": "%d.%m.%Y %H:%M:%S", "time_zone": "Europe/Prague"}
    read = mapping(catalogue, "telemetry", {**LOG, "logged_at": at, "share_depth_cm": {"from": "d", "unit": "cm"}})
    out = take(written(tmp_path, "Date,Clock,d\n1.10.2025,15:6:8,7\n1.10.2025,,7\n"), read, catalogue)
    assert out.accepted["logged_at"].to_list() == [dt.datetime(2025, 10, 1, 13, 6, 8, tzinfo=dt.UTC)]
    assert out.rejected["rule"].to_list() == ["not_a_time"]


def test_a_header_in_the_middle_and_totals_say_nothing_new(tmp_path, catalogue):
    columns = {**LOG, "share_depth_cm": {"from": "d", "unit": "cm"}}
    text = "t,d\n2025-10-01T08:00:00Z,7\nt,d\n2025-10-01T08:00:01Z,8\nTotal,15\n"
    out = take(written(tmp_path, text), mapping(catalogue, "telemetry", columns), catalogue)
    assert (out.accepted.height, out.received.rows_repeated, out.received.rows_rejected) == (2, 2, 0)


def test_a_line_of_another_encoding_is_one_rejected_row(tmp_path, catalogue):
    columns = {**LOG, "work_state": {"from": "s"}}
    text = b"t,s\n2025-10-01T08:00:00Z,ok\n2025-10-01T08:00:01Z,r\xfcben\n2025-10-01T08:00:02Z,ok\n"
    out = take(written(tmp_path, text), mapping(catalogue, "telemetry", columns), catalogue)
    assert out.accepted["line"].to_list() == [2, 4]
    assert out.rejected.select("line", "rule", "raw").rows() == [(3, "encoding", "2025-10-01T08:00:01Z,r\\xfcben")]


@pytest.mark.parametrize("name", ["line", "row", "part", "raw", "machine_id", "share_depth_cm", "\x1fline"])
def test_a_column_may_have_any_name_we_use_ourselves(tmp_path, catalogue, name):
    columns = {**LOG, "share_depth_cm": {"from": name.replace("\x1f", " ").strip(), "unit": "cm"}}
    read = mapping(catalogue, "telemetry", columns)
    for text in (f"t,{name},x\n2025-10-01T08:00:00Z,7,a\n", f't,{name},x\n2025-10-01T08:00:00Z,"7",a\n'):
        out = take(written(tmp_path, text), read, catalogue)
        assert out.accepted.select("share_depth_cm", "line").rows() == [(7.0, 2)]
    sheet = (
        book(tmp_path / "x.xlsx", {"A": [["t", name, "x"], ["2025-10-01T08:00:00Z", 7, "a"]]})
        if name.isprintable()
        else None
    )
    if sheet is not None:
        assert take(sheet, read, catalogue).accepted.select("share_depth_cm", "line").rows() == [(7.0, 2)]
    table = tmp_path / "x.parquet"
    pl.DataFrame({"t": ["2025-10-01T08:00:00Z"], name: [7.0], "x": ["a"]}).write_parquet(table)
    if name.isprintable():
        assert take(table, read, catalogue).accepted.select("share_depth_cm", "line").rows() == [(7.0, 1)]


@pytest.mark.parametrize("word", [w for w in EMPTY_WORDS if w])
def test_a_word_for_an_empty_cell_is_null_in_numbers_and_texts_of_a_plain_block(word):
    layout = TextLayout(["t", "d", "s"], {"d"}, ["t", "d", "s"], ";", ".", plain=True)
    for number, text in ((word, "ok"), ("7", word), (word, word)):
        chunk = delimited.parse_plain(f"08:00;6;a\n08:01;{number};{text}\n08:02;8;b\n".encode(), layout)
        assert chunk is not None
        expected = None if number == word else 7.0
        assert chunk.cells.row(1) == ("08:01", expected, None if text == word else "ok", 2)
        assert chunk.cells["d"].to_list() == [6.0, expected, 8.0]


def test_two_columns_of_one_name_are_told_apart(tmp_path, catalogue):
    columns = {**LOG, "share_depth_cm": {"from": ["d", "d (2)"], "unit": "cm"}}
    out = take(
        written(tmp_path, "t,d,d\n2025-10-01T08:00:00Z,6,8\n"), mapping(catalogue, "telemetry", columns), catalogue
    )
    assert out.accepted["share_depth_cm"].to_list() == [7.0]


NUMBERS = st.one_of(
    st.floats(-1e6, 1e6).map(lambda v: f"{v:.4f}"),
    st.sampled_from(["", "n/a", "nan", "NaN", "NULL", "-", "--", "7", "1e3", " 5", "x", "1.2.3", "١"]),
)
STATES = st.one_of(
    st.sampled_from(["working", "", "NA", "nan", "a.b", "a,b", '"q"', "é", "\x01", "Total"]), st.text(max_size=4)
)
LINES = st.lists(st.tuples(NUMBERS, STATES, st.integers(0, 59)), min_size=1, max_size=12)


@settings(max_examples=150, deadline=None)
@given(LINES, st.sampled_from([",", "."]), st.sampled_from(["\n", "\r\n"]), st.integers(0, 3))
def test_the_quick_way_and_the_careful_way_give_the_same_rows(lines, decimal, end, cut):
    """A block that is parsed straight into numbers and one read line by line agree on every cell and line."""
    body = [f"2025-10-01T08:00:{s:02d}Z;{n.replace('.', decimal)};{w}" for n, w, s in lines]
    body[-1] = body[-1][: len(body[-1]) - cut] if cut else body[-1]
    data = (end.join(body) + end).encode("utf-8", "surrogatepass").replace(b"\r\n", b"\n")
    layout = TextLayout(["t", "d", "s"], {"d"}, ["t", "d", "s"], ";", decimal, plain=True)
    quick = delimited.parse_plain(data, layout)
    careful = delimited.parse_text(data, layout)
    if quick is not None:
        assert careful.rejected.height == 0
        texts = careful.cells["d"].str.strip_chars().str.replace(decimal, ".", literal=True)
        assert quick.cells["d"].to_list() == texts.cast(pl.Float64).to_list()
        strip = pl.col("t", "s").str.strip_chars()
        assert quick.cells.select(strip, LINE).equals(careful.cells.select(strip, LINE))


def test_a_constant_date_of_a_mapping_is_stored_with_every_row(tmp_path, catalogue):
    columns = {
        "valid_from_at": {"value": dt.date(2025, 10, 1), "time_zone": "Europe/Prague"},
        "machine_id": {"from": "m"},
        "generation": {"value": "one"},
        "rows_count": {"from": "r", "unit": "count"},
        "row_spacing_cm": {"from": "s", "unit": "cm"},
        "tank_capacity_t": {"from": "t", "unit": "t"},
    }
    path = written(tmp_path, "m,r,s,t\nM1,6,50,20\nM2,6,45,20\n")
    out = take(path, mapping(catalogue, "machine_setup", columns), catalogue)
    assert out.accepted["valid_from_at"].to_list() == [dt.datetime(2025, 9, 30, 22, tzinfo=dt.UTC)] * 2
