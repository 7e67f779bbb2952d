"""Files that would cost without bound, or end in an internal error: each ends as rejected rows or files with a rule."""

import io
import json
from typing import Any

import numpy as np
import pytest
import shapely
import xlsxwriter

from tests.support.taking import take
from transforms.geo import MAX_POINTS, CrossingBudget, OutlineError, repair_outline
from transforms.ingest.mapping_file import parse_mapping
from transforms.ingest.propose.header import Name, parse_names
from transforms.ingest.propose.lexicon import package_lexicon
from transforms.ingest.propose.matching import match, phrases_of
from transforms.ingest.propose.plausible import NO_EVIDENCE, Evidence
from transforms.ingest.readers import geojson, geojson_stream
from transforms.ingest.readers.geojson_stream import FeatureFile
from transforms.ingest.readers.text_layout import unique_names

FIELD = {"kind": "field_boundary", "files": ["*"], "columns": {"field_id": {"from": "id"}, "boundary": {"from": "b"}}}
SHAPE = {**FIELD, "columns": {"field_id": {"from": "id"}, "boundary": {"from": "geometry"}}}
RING = [[15.0, 50.0], [15.01, 50.0], [15.01, 50.01], [15.0, 50.0]]


def star(n: int) -> shapely.Polygon:
    """A closed line that crosses itself about n * n / 2 times."""
    angle = 2 * np.pi * np.arange(n) * (n // 2) / n
    return shapely.Polygon(np.c_[15 + 0.01 * np.cos(angle), 50 + 0.01 * np.sin(angle)])


def feature(name: object, ring: object = RING) -> dict[str, Any]:
    return {"type": "Feature", "properties": {"id": name}, "geometry": {"type": "Polygon", "coordinates": [ring]}}


def collection(features: list[dict[str, Any]], **more: object) -> str:
    return json.dumps({"type": "FeatureCollection", "features": features, **more})


@pytest.fixture
def taken(tmp_path, catalogue):
    def run(content: str | bytes, table: dict[str, Any], name: str):
        path = tmp_path / name
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return take(path, parse_mapping(table, "m", catalogue, "test"), catalogue)

    return run


# --- outlines ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("n", [101, 501, 2001])
def test_an_outline_that_crosses_itself_everywhere_is_refused_at_once(n):
    with pytest.raises(OutlineError) as problem:
        repair_outline(star(n), CrossingBudget())
    assert problem.value.rule == "tangled_outline"


def test_an_outline_that_crosses_itself_some_times_is_repaired():
    repaired = repair_outline(star(9), CrossingBudget())
    assert repaired is not None
    assert repaired.is_valid


def test_lines_that_run_along_each_other_count_as_crossings():
    at = np.linspace(0, 0.01, 400)
    there_and_back = np.concatenate([np.stack([a, b]) for a, b in zip(at, at[::-1], strict=True)])
    with pytest.raises(OutlineError):
        repair_outline(shapely.Polygon(np.c_[15 + there_and_back, np.full(800, 50.0)]), CrossingBudget())


def test_many_tangled_outlines_share_a_budget():
    budget = CrossingBudget(left=30)
    assert repair_outline(star(9), budget) is not None  # 27 crossings
    with pytest.raises(OutlineError):
        repair_outline(star(9), budget)


def test_a_long_outline_without_crossings_is_read():
    angle = 2 * np.pi * np.arange(20_000) / 20_000
    radius = 0.1 * (1 + 0.05 * np.sin(37 * angle))
    round_field = shapely.Polygon(np.c_[15 + radius * np.cos(angle), 50 + radius * np.sin(angle)])
    assert len(shapely.get_coordinates(repair_outline(round_field, CrossingBudget()))) == 20_001


def test_points_of_an_outline_are_bounded():
    angle = 2 * np.pi * np.arange(MAX_POINTS + 1) / (MAX_POINTS + 1)
    with pytest.raises(OutlineError) as problem:
        repair_outline(shapely.Polygon(np.c_[np.cos(angle), np.sin(angle)]), CrossingBudget())
    assert problem.value.rule == "too_many_points"


# --- GeoJSON ----------------------------------------------------------------------------------------------------------


def test_a_tangled_feature_costs_its_own_row_only(taken):
    ring = shapely.get_coordinates(star(501)).tolist()
    out = taken(collection([feature("F1"), feature("F2", ring), feature("F3")]), SHAPE, "f.geojson")
    assert out.accepted["field_id"].to_list() == ["F1", "F3"]
    assert out.rejected.select("line", "rule").rows() == [(2, "tangled_outline")]


@pytest.mark.parametrize("name", ["\ud800", "a\udfff"])
def test_an_id_that_is_not_unicode_is_a_rejected_row(taken, name):
    out = taken(collection([feature("F1"), feature(name)]), SHAPE, "f.geojson")
    assert out.rejected.select("line", "column", "rule").rows() == [(2, "id", "not_unicode")]
    assert out.accepted["field_id"].to_list() == ["F1"]


def test_a_property_name_that_is_not_unicode_harms_nothing(taken):
    one = feature("F1")
    one["properties"]["\ud800"] = 1
    assert taken(collection([one]), SHAPE, "f.geojson").accepted.height == 1


@pytest.mark.parametrize(
    ("name", "rule"), [("x" * 1_000_000, "too_long"), ("x" * 401, "too_long"), ("F\x001", "nul_bytes")]
)
def test_an_id_that_is_none_is_a_rejected_row(taken, name, rule):
    out = taken(collection([feature(name), feature("x" * 400)]), SHAPE, "f.geojson")
    assert out.rejected.select("line", "rule").rows() == [(1, rule)]
    assert len(out.rejected["raw"][0]) <= 4001
    assert out.accepted.height == 1


def test_a_feature_longer_than_any_outline_is_a_reason(taken, monkeypatch):
    monkeypatch.setattr(geojson_stream, "MAX_VALUE_CHARACTERS", 100_000)
    monkeypatch.setattr(geojson_stream, "READ_BYTES", 10_000)
    content = collection([feature("F1"), feature("x" * 300_000)])
    assert taken(content, SHAPE, "f.geojson").rejected["rule"].to_list() == ["too_long"]


def test_points_of_a_file_are_bounded(taken, monkeypatch):
    monkeypatch.setattr(geojson, "MAX_FILE_POINTS", 20)
    content = collection([feature(f"F{i}") for i in range(9)])
    assert taken(content, SHAPE, "f.geojson").rejected["rule"].to_list() == ["too_many_points"]


def test_features_in_several_pieces_keep_their_lines(taken, monkeypatch):
    monkeypatch.setattr(geojson, "PIECE_CHARACTERS", 400)
    monkeypatch.setattr(geojson_stream, "READ_BYTES", 64)
    features = [feature(f"F{i}") if i % 7 else feature(f"F{i}", [[1]]) for i in range(40)]
    features[0]["properties"]["only here"] = 1
    out = taken(collection(features, name="ü€😀" * 50), SHAPE, "f.geojson")
    assert out.accepted["line"].to_list() == [i + 1 for i in range(40) if i % 7]
    assert out.rejected["line"].to_list() == [i + 1 for i in range(40) if not i % 7]


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[]",
        "{",
        '{"features": [}',
        '{"features": [1,]}',
        '{"features": []} x',
        '{"features": [{}',
        '{"a": 1,}',
        '{"a" 1}',
        '{"features": ' + "[" * 100_000,
        "\ufffe",
        '{"features": [' + "9" * 5000 + "]}",
    ],
)
def test_what_is_no_json_is_a_reason(taken, text):
    assert taken(text, SHAPE, "f.geojson").rejected["rule"].to_list() == ["not_geojson"]


@pytest.mark.parametrize(
    "text",
    ['{"features":[]}', ' { "a" : [1, {"b": "]}"}] , "features" : [ {} , 2 ] , "crs" : null } ', '{"features":[12]}'],
)
def test_features_stream_as_the_whole_file_would_parse(text):
    found = [f.value for f in FeatureFile(io.BytesIO(text.encode()))]
    assert found == json.loads(text)["features"]


def test_a_coordinate_system_behind_the_features_is_seen(taken):
    crs = {"type": "name", "properties": {"name": "EPSG:5514"}}
    assert taken(collection([feature("F1")], crs=crs), SHAPE, "f.geojson").rejected["rule"].to_list() == ["not_wgs84"]


# --- text and workbooks -----------------------------------------------------------------------------------------------


def test_a_long_id_of_a_text_file_is_a_rejected_row(taken):
    out = taken(f"id,b\n{'x' * 1_000_000},1\nF2,2\nF3,{'y' * 10_000}\n", FIELD, "f.csv")
    assert out.rejected.select("line", "column", "rule").rows() == [(2, "field_id", "too_long")]
    assert out.accepted["field_id"].to_list() == ["F2", "F3"]  # an outline may be long


def test_a_long_id_of_a_workbook_is_a_rejected_row(taken):
    content = io.BytesIO()
    with xlsxwriter.Workbook(content) as book:
        page = book.add_worksheet()
        for i, row in enumerate([["id", "b"], ["x" * 30_000, "1"], ["F2", "2"]]):
            page.write_row(i, 0, row)
    out = taken(content.getvalue(), FIELD, "f.xlsx")
    assert out.rejected.select("line", "rule").rows() == [(2, "too_long")]
    assert out.accepted.height == 1


def test_columns_of_one_name_are_reported(taken):
    out = taken("id,b,b,id (2),id\nF1,1,2,3,4\n", FIELD, "f.csv")
    assert out.accepted.select("field_id", "boundary").rows() == [("F1", "1")]
    assert out.findings == [("repeated_column_name", {"name": name, "n": 2}) for name in ("id", "b")]


def test_columns_of_one_name_of_a_workbook_are_reported(taken):
    content = io.BytesIO()
    with xlsxwriter.Workbook(content) as book:
        page = book.add_worksheet()
        for i, row in enumerate([["id", "b", "b"], ["F1", "1", "2"]]):
            page.write_row(i, 0, row)
    assert taken(content.getvalue(), FIELD, "f.xlsx").findings == [("repeated_column_name", {"name": "b", "n": 2})]


def test_every_column_gets_a_name_of_its_own():
    names = unique_names(["a", "a", "a (2)", "b", "a", "a (2)", "a (3)"])
    assert len(set(names)) == 7
    assert (names[0], names[2], names[3]) == ("a", "a (2)", "b")


@pytest.mark.parametrize("day", ["99999-01-01", "0000-01-01", "-262143-01-01", "+262142-12-31", "9999-12-31"])
def test_a_date_beyond_the_calendar_is_a_rejected_row(taken, day):
    when = {"from": "t", "format": "%Y-%m-%d", "time_zone": "Europe/Prague"}
    table = {
        "kind": "weather_reading",
        "files": ["*"],
        "columns": {"station_id": {"from": "s"}, "element": {"value": "E"}, "value": {"from": "v"}, "day_at": when},
    }
    out = taken(f"s,t,v\nS1,{day},1\nS1,2025-10-01,1\n", table, "w.csv")
    assert (out.accepted["line"].to_list(), out.rejected["line"].to_list()) == ([3], [2])


def test_a_reading_of_the_climate_archive_that_is_none_is_a_rejected_row(taken):
    line = "EZE00100082,20251001,TMAX,200,,,E,0700\n"
    odd = [
        "x" * 700 + line,
        line.replace("20251001", "99999999"),
        line.replace("200", "9" * 40),
        line.replace("T", "\0"),
    ]
    out = taken(line + "".join(odd), {"kind": "weather_reading", "files": ["*"], "form": "ghcn_daily"}, "g.csv")
    assert (out.accepted["line"].to_list(), out.rejected["line"].to_list()) == ([1], [2, 3, 4, 5])


# --- proposals --------------------------------------------------------------------------------------------------------


def test_the_time_of_a_proposal_does_not_follow_columns_times_phrases(catalogue):
    """1,900 columns that are like nothing are compared with no phrase."""
    lexicon, compared = package_lexicon(), 0

    def weigh(column: str, name: Name) -> Evidence:  # noqa: ARG001
        nonlocal compared
        compared += 1
        return NO_EVIDENCE

    columns = ["machine id", "time", "share depth [cm]", *(f"qx{i:04d} zz" for i in range(1_900))]
    labels = tuple((n, s.label) for n, s in catalogue.items())
    found = match(parse_names(columns, lexicon), phrases_of(lexicon, "telemetry", labels), weigh)
    assert found["share_depth_cm"].name.sources == ("share depth [cm]",)
    assert compared < 100
