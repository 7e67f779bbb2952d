"""Keys of a mapping that contradict each other: each is refused by its code and key."""

from typing import Any

import pytest

from transforms.config.problems import ConfigError
from transforms.ingest.mapping_file import parse_mapping

TARES: dict[str, Any] = {
    "kind": "tare",
    "files": ["t*.csv"],
    "header_line": 3,
    "time_zone": "UTC",
    "columns": {
        "sample_id": {"from": "S"},
        "load_id": {"from": "L"},
        "dirt_tare_pct": {"from": ["D", "G"], "combine": "ratio", "units": ["kg", "kg"]},
        "issued_at": {"from": "T", "format": "%d.%m.%Y"},
    },
}
LOG: dict[str, Any] = {
    "kind": "telemetry",
    "files": ["l*.csv"],
    "time_zone": "UTC",
    "columns": {
        "machine_id": {"from": "M"},
        "logged_at": {"from": "T", "format": "%d.%m.%Y %H:%M"},
        "work_state": {"from": "W", "lookup": {"1": "working"}},
    },
}


def refused(catalogue, table: dict[str, Any], column: str, keys: dict[str, Any], **layout: Any) -> set[tuple[str, str]]:
    table = {**table, **layout, "columns": {**table["columns"], column: keys}}
    with pytest.raises(ConfigError) as reported:
        parse_mapping(table, "m", catalogue, "test")
    problems = reported.value.problems
    assert all(p.what and p.remedy and f"[columns.{column}]" in p.where for p in problems)
    return {(p.code, p.key) for p in problems}


@pytest.mark.parametrize(
    ("column", "keys", "expected"),
    [
        ("sample_kg", {"from": ["A", "B"], "combine": "product", "unit": "kg"}, ("wrong_value", "combine")),
        ("sample_kg", {"from": "A", "combine": "sum", "unit": "kg"}, ("conflict", "combine")),
        ("sample_kg", {"from": ["A", "B", "C"], "combine": "difference", "unit": "kg"}, ("conflict", "combine")),
        ("sample_kg", {"from": ["A", "B"], "combine": "scaled", "unit": "kg"}, ("conflict", "combine")),
        ("load_id", {"from": ["A", "B"], "combine": "sum"}, ("conflict", "combine")),
        ("load_id", {"from": ["A", "B"]}, ("conflict", "from")),
        ("issued_at", {"from": ["A", "B"], "combine": "mean", "format": "%d.%m.%Y"}, ("conflict", "combine")),
        ("sugar_pct", {"from": ["A", "B"], "combine": "ratio", "unit": "pct"}, ("conflict", "units")),
        ("sugar_pct", {"from": ["A", "B"], "combine": "ratio"}, ("missing_key", "units")),
        ("sugar_pct", {"from": ["A", "B"], "combine": "ratio", "units": ["kg", "m2"]}, ("conflict", "units")),
        ("sugar_pct", {"from": ["A", "B"], "combine": "ratio", "units": ["kg"]}, ("wrong_value", "units")),
        ("sugar_pct", {"from": ["A", "B"], "combine": "ratio", "units": ["kg", "stone"]}, ("wrong_value", "units")),
        ("sample_kg", {"from": ["A", "B"], "units": ["kg", "kg", "t"]}, ("conflict", "units")),
        ("sample_kg", {"from": ["A", "B"], "units": ["kg", "t"], "unit": "kg"}, ("conflict", "units")),
        ("revision", {"from": ["A", "B"], "units": ["kg", "t"]}, ("conflict", "units")),
        (
            "sugar_pct",
            {"from": ["A", "B"], "combine": "sum", "unit": "pct", "steps": {"1": 1.0, "2": 2.0}},
            ("conflict", "steps"),
        ),
        ("sugar_pct", {"value": 17.0, "optional": True}, ("conflict", "optional")),
        ("sample_id", {"preamble": "(.)", "optional": True}, ("conflict", "optional")),
        ("sugar_pct", {"preamble": "(.)"}, ("missing_key", "unit")),
        ("issued_at", {"preamble": "(.)"}, ("missing_key", "format")),
        ("issued_at", {"preamble": "(.)", "format": "excel_1900"}, ("conflict", "format")),
        ("issued_at", {"value": "45947", "format": "excel_1900"}, ("conflict", "format")),
        ("load_id", {"preamble": "Load"}, ("wrong_value", "preamble")),
        ("load_id", {"sheet_name": "(.*)"}, ("conflict", "sheet_name")),
        ("load_id", {"from": "A", "sheet_name": "(.*)"}, ("conflict", "sheet_name")),
        ("load_id", {"from": "A", "by": "sample_id"}, ("conflict", "by")),
        ("sugar_pct", {"by": "sample_id", "lookup": {"a": 17.0}, "from": "A"}, ("conflict", "from")),
        ("sugar_pct", {"by": "sample", "lookup": {"a": 17.0}}, ("wrong_value", "by")),
        ("sugar_pct", {"by": "issued_at", "lookup": {"a": 17.0}}, ("wrong_value", "by")),
        ("sugar_pct", {"by": "sample_id", "lookup": {"a": 99.0}}, ("wrong_value", "lookup")),
        ("sugar_pct", {"by": "sample_id", "lookup": {"a": "x"}}, ("wrong_value", "lookup")),
        ("sugar_pct", {"by": "sample_id", "lookup": {}}, ("wrong_value", "lookup")),
        ("sugar_pct", {"by": "sample_id", "lookup": {"a": 17.0}, "unit": "pct"}, ("conflict", "unit")),
        ("sugar_pct", {"by": "sample_id", "lookup": {"a": {"2025-09-01": 17.0}}}, ("missing_key", "at")),
        ("sugar_pct", {"by": "sample_id", "lookup": {"a": 17.0}, "at": "issued_at"}, ("conflict", "at")),
        (
            "sugar_pct",
            {"by": "sample_id", "lookup": {"a": {"1.9.2025": 17.0}}, "at": "issued_at"},
            ("wrong_value", "lookup"),
        ),
        (
            "sugar_pct",
            {"by": "sample_id", "lookup": {"a": {"2025-09-01": 17.0}}, "at": "load_id"},
            ("wrong_value", "at"),
        ),
        ("sugar_pct", {"from": "A", "unit": "pct", "at": "issued_at"}, ("conflict", "at")),
        ("sugar_pct", {"from": "A", "unit": "pct", "full_scale": {"a": 20.0}}, ("missing_key", "by")),
        (
            "sugar_pct",
            {"from": "A", "unit": "pct", "full_scale": {"a": -20.0}, "by": "load_id"},
            ("wrong_value", "full_scale"),
        ),
        ("sugar_pct", {"from": "A", "unit": "pct", "full_scale": 20.0, "by": "load_id"}, ("conflict", "by")),
        ("cancelled", {"from": "A", "words": {"weg": "maybe"}}, ("wrong_value", "words")),
        ("sugar_pct", {"from": "A", "unit": "pct", "words": {"viel": "much"}}, ("wrong_value", "words")),
        ("load_id", {"from": "A", "words": {"a": 1}}, ("wrong_value", "words")),
        ("issued_at", {"from": "A", "format": "%d.%m.%Y", "words": {"a": "b"}}, ("conflict", "words")),
    ],
)
def test_a_contradiction_is_refused(catalogue, column, keys, expected):
    assert refused(catalogue, TARES, column, keys) == {expected}


def test_lines_above_the_header_need_a_header_below_them(catalogue):
    keys = {"preamble": "load (.)"}
    assert refused(catalogue, TARES, "load_id", keys, header_line=1) == {("conflict", "preamble")}
    assert refused(catalogue, TARES, "load_id", keys, form="parquet") == {("conflict", "preamble")}
    table = {**TARES, "form": "sheet", "columns": {**TARES["columns"], "load_id": {"sheet_name": "load (.)"}}}
    assert parse_mapping(table, "m", catalogue, "test").columns[1].sheet_name == "load (.)"


def test_a_sum_of_temperatures_has_no_meaning(catalogue):
    day: dict[str, Any] = {
        "kind": "weather_day",
        "files": ["w.csv"],
        "columns": {
            "station_id": {"value": "s"},
            "day_at": {"from": "D", "format": "%Y-%m-%d", "time_zone": "UTC"},
            "air_temp_max_c": {"from": "X", "unit": "degF"},
            "air_temp_min_c": {"from": "N", "unit": "degF"},
            "rain_mm": {"from": "R", "unit": "in"},
        },
    }
    for combine in ("sum", "difference"):
        keys = {"from": ["A", "B"], "combine": combine, "unit": "degF"}
        assert refused(catalogue, day, "air_temp_max_c", keys) == {("conflict", "combine")}
    keys = {"from": ["A", "B"], "combine": "mean", "unit": "degF"}
    assert parse_mapping({**day, "columns": {**day["columns"], "air_temp_max_c": keys}}, "m", catalogue, "test")


def test_epoch_times_need_no_zone_and_days_of_a_workbook_do(catalogue):
    columns = {**TARES["columns"], "issued_at": {"from": "T", "format": "epoch_s"}}
    without = {k: v for k, v in TARES.items() if k != "time_zone"}
    assert parse_mapping({**without, "columns": columns}, "m", catalogue, "test")
    keys = {"from": "T", "format": "excel_1900"}
    with pytest.raises(ConfigError) as reported:
        parse_mapping({**without, "columns": {**columns, "issued_at": keys}}, "m", catalogue, "test")
    assert [(p.code, p.key) for p in reported.value.problems] == [("missing_key", "time_zone")]


def test_a_key_column_must_not_follow_another_one(catalogue):
    keys = {"from": "A", "unit": "pct", "full_scale": {"M1": 28.0}, "by": "work_state"}
    log = {**LOG, "columns": {**LOG["columns"], "work_state": {"by": "machine_id", "lookup": {"M1": "idle"}}}}
    assert refused(catalogue, log, "tank_t", keys) == {("wrong_value", "by")}
    assert parse_mapping({**LOG, "columns": {**LOG["columns"], "tank_t": keys}}, "m", catalogue, "test")


def test_the_fingerprint_changes_with_every_key_and_only_with_them(catalogue):
    def fingerprint(**keys: Any) -> str:
        columns = {**TARES["columns"], "sugar_pct": {"from": ["A", "B"], "unit": "pct", **keys}}
        return parse_mapping({**TARES, "columns": columns}, "m", catalogue, "test").fingerprint()

    plain = fingerprint()
    assert plain == fingerprint(optional=False)
    others = [
        fingerprint(optional=True),
        fingerprint(combine="sum"),
        fingerprint(combine="first"),
        fingerprint(words={"a": 1}),
        fingerprint(full_scale={"a": 20.0}, by="load_id"),
        fingerprint(full_scale={"a": 21.0}, by="load_id"),
    ]
    assert len({plain, *others}) == 7
