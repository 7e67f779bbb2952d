"""Mappings that describe a whole dialect: optional, given, looked-up and calculated columns, flags, times, headers."""

import datetime as dt
import json
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl
import pytest
import xlsxwriter

from transforms.config.settings_catalogue import Catalogue
from transforms.errors import SourceFileError
from transforms.ingest.mapping import Mapping
from transforms.ingest.mapping_file import parse_mapping
from transforms.ingest.preview import first_rows
from transforms.ingest.readers import delimited

LOG = {
    "machine_id": {"from": "M"},
    "logged_at": {"from": "T", "format": "%Y-%m-%d %H:%M", "time_zone": "UTC"},
}
TARE = {
    "sample_id": {"from": "S"},
    "load_id": {"from": "L"},
    "dirt_tare_pct": {"from": "D", "unit": "pct"},
}
T0 = "2025-10-17 06:00"


@dataclass(frozen=True)
class Taken:
    """Accepted rows of a file, and code and arguments of each reason of a rejected row or of the whole file."""

    accepted: pl.DataFrame
    reasons: list[tuple[str, dict[str, Any]]]


def take(path: Path, reader: Mapping, catalogue: Catalogue) -> Taken:
    """Read a file without a warehouse; `tests/support/taking.py` does it with one."""
    try:
        rows = first_rows(path, reader, catalogue, 10**9)
    except SourceFileError as problem:
        return Taken(pl.DataFrame(), [(problem.reason.code, json.loads(problem.reason.args))])
    assert rows.examined == rows.good.height + rows.rejected.height
    reasons = rows.rejected.sort("line", maintain_order=True).select("reason_code", "reason_args").rows()
    return Taken(rows.good, [(code, json.loads(args)) for code, args in reasons])


def mapping(catalogue, kind: str, columns: dict[str, Any], **layout: Any):
    table = {"kind": kind, "files": ["*"], "separator": ";", "columns": columns, **layout}
    return parse_mapping(table, "m", catalogue, "test")


@pytest.fixture
def read(tmp_path: Path, catalogue):
    """Function that takes in a text file through a mapping."""

    def taken(kind: str, columns: dict[str, Any], lines: list[str], name: str = "f.csv", **layout: Any) -> Taken:
        path = tmp_path / name
        path.write_text("\n".join(lines) + "\n", "utf-8")
        return take(path, mapping(catalogue, kind, columns, **layout), catalogue)

    return taken


def at(year: int, month: int, day: int, hour: int = 0, minute: int = 0, *, seconds: float = 0.0) -> dt.datetime:
    return dt.datetime(year, month, day, hour, minute, tzinfo=dt.UTC) + dt.timedelta(seconds=seconds)


# --- optional columns -------------------------------------------------------------------------------------------------


def test_an_optional_column_that_a_file_lacks_is_empty(read):
    columns = {**LOG, "tank_t": {"from": "Tank", "unit": "t", "optional": True}}
    without = read("telemetry", columns, ["M;T", f"M1;{T0}"])
    assert without.accepted.select("machine_id", "tank_t").rows() == [("M1", None)]
    assert read("telemetry", columns, ["M;T;Tank", f"M1;{T0};7.5"]).accepted["tank_t"].to_list() == [7.5]


def test_a_column_that_is_not_optional_is_named(read):
    columns = {**LOG, "tank_t": {"from": "Tank", "unit": "t"}, "unloading": {"from": "U", "optional": True}}
    out = read("telemetry", columns, ["M;T", f"M1;{T0}"])
    assert out.accepted.height == 0
    assert out.reasons == [("missing_column", {"column": "Tank", "columns": "M, T"})]


def test_a_file_without_any_optional_column_of_a_needed_value_is_refused(read):
    first = {"from": ["Dirt", "Schmutz"], "combine": "first", "unit": "pct", "optional": True}
    columns = {**TARE, "dirt_tare_pct": first}
    assert read("tare", columns, ["S;L;Schmutz", "s;l;6.5"]).accepted["dirt_tare_pct"].to_list() == [6.5]
    assert read("tare", columns, ["S;L;Dirt", "s;l;7.5"]).accepted["dirt_tare_pct"].to_list() == [7.5]
    out = read("tare", columns, ["S;L;X", "s;l;7.5"])
    assert out.reasons == [("missing_columns", {"columns": "S, L, X", "missing": ["Dirt", "Schmutz"]})]


def test_an_audit_file_without_any_result_is_refused(read):
    columns = {
        "audit_id": {"from": "A"},
        "machine_id": {"value": "M1"},
        "field_id": {"value": "F1"},
        "audited_at": {"from": "T", "format": "%Y-%m-%d", "time_zone": "UTC"},
        "plot_m2": {"value": 10.0},
        "broken_mass_kg": {"from": "Tips", "unit": "kg", "optional": True},
        "whole_mass_kg": {"from": "Whole", "unit": "kg", "optional": True},
    }
    assert read("loss_audit", columns, ["A;T;Tips", "a;2025-10-17;1.5"]).accepted["broken_mass_kg"].to_list() == [1.5]
    out = read("loss_audit", columns, ["A;T", "a;2025-10-17"])
    assert [(c, a["missing"]) for c, a in out.reasons] == [("missing_columns", ["Tips", "Whole"])]


def test_the_mean_of_left_and_right_is_that_of_the_side_a_machine_has(read):
    columns = {**LOG, "share_depth_cm": {"from": ["lh", "rh"], "unit": "mm", "optional": True}}
    assert read("telemetry", columns, ["M;T;lh;rh", f"M1;{T0};50;70"]).accepted["share_depth_cm"].to_list() == [6.0]
    assert read("telemetry", columns, ["M;T;rh", f"M1;{T0};70"]).accepted["share_depth_cm"].to_list() == [7.0]
    assert read("telemetry", columns, ["M;T", f"M1;{T0}"]).accepted["share_depth_cm"].to_list() == [None]


def test_a_sheet_that_lacks_an_optional_column_is_read(tmp_path, catalogue):
    with xlsxwriter.Workbook(tmp_path / "t.xlsx") as out:
        for name, rows in {
            "A": [["S", "L", "D", "Z"], ["s1", "l1", 6, 17.5]],
            "B": [["S", "L", "D"], ["s2", "l2", 7]],
        }.items():
            page = out.add_worksheet(name)
            for i, row in enumerate(rows):
                page.write_row(i, 0, row)
    columns = {**TARE, "sugar_pct": {"from": "Z", "unit": "pct", "optional": True}}
    taken = take(tmp_path / "t.xlsx", mapping(catalogue, "tare", columns, sheet="*"), catalogue)
    assert taken.accepted.select("sample_id", "sugar_pct").rows() == [("s1", 17.5), ("s2", None)]


# --- values from lines above the header, sheet names and file names ---------------------------------------------------


def test_a_value_and_the_day_come_from_lines_above_the_header(read):
    columns = {
        "machine_id": {"preamble": r"^Erntegerät: (\w+)"},
        "logged_at": {"preamble": r"Datum ([\d.]+)", "from": "Zeit", "format": "%d.%m.%Y %H:%M", "time_zone": "UTC"},
        "tank_t": {"preamble": r"Tank: ([\d,]+) dt", "unit": "dt"},
    }
    lines = ["Erntegerät: M7", "Datum 17.10.2025;Tank: 75 dt", "Zeit;x", "06:30;1"]
    out = read("telemetry", columns, lines, header_line=3, decimal=",")
    assert out.accepted.select("machine_id", "logged_at", "tank_t").rows() == [("M7", at(2025, 10, 17, 6, 30), 7.5)]


def test_separators_that_a_spreadsheet_adds_to_a_line_do_not_matter(read):
    columns = {**LOG, "machine_id": {"preamble": r"^Nr\. (\w+)$"}}
    for line in ("Nr. M7", "Nr. M7;;", "Nr. M7; ;"):
        out = read("telemetry", columns, [line, "T;x", f"{T0};1"], header_line=2)
        assert out.accepted["machine_id"].to_list() == ["M7"]


def test_a_pattern_does_not_match_the_header_or_a_row(read):
    columns = {**LOG, "machine_id": {"preamble": "(M1|Erntegerät)"}}
    out = read("telemetry", columns, ["nothing", "Erntegerät;T", f"M1;{T0}"], header_line=2)
    assert out.reasons == [("not_in_preamble", {"column": "machine_id"})]


def test_sheet_names_give_a_value_each(tmp_path, catalogue):
    with xlsxwriter.Workbook(tmp_path / "t.xlsx") as out:
        for name in ("Site north", "Site south"):
            page = out.add_worksheet(name)
            page.write_row(0, 0, [f"Load of {name[5]}"])
            page.write_row(1, 0, ["S", "D"])
            page.write_row(2, 0, [f"s {name}", 6.5])
    columns = {
        "sample_id": {"sheet_name": r"Site (\w+)"},
        "load_id": {"preamble": r"Load of (\w)"},
        "dirt_tare_pct": {"from": "D", "unit": "pct"},
    }
    taken = take(tmp_path / "t.xlsx", mapping(catalogue, "tare", columns, sheet="*", header_line=2), catalogue)
    assert taken.accepted.select("sample_id", "load_id").rows() == [("north", "n"), ("south", "s")]


def test_a_file_name_gives_a_day_and_a_flag(read):
    columns = {
        **TARE,
        "issued_at": {"file_name": r"_(\d{8})_", "format": "%Y%m%d", "time_zone": "Europe/Prague"},
        "cancelled": {"file_name": r"_([a-z]+)\."},
    }
    lines = ["S;L;D", "s;l;6"]
    out = read("tare", columns, lines, "t_20251017_nein.csv")
    assert out.accepted.select("issued_at", "cancelled").rows() == [(at(2025, 10, 16, 22), False)]
    assert read("tare", columns, lines, "t_20251017_ja.csv").accepted["cancelled"].to_list() == [True]


def test_a_constant_may_be_a_date(read):
    columns = {**TARE, "issued_at": {"value": dt.date(2025, 10, 17), "time_zone": "Europe/Prague"}}
    assert read("tare", columns, ["S;L;D", "s;l;6"]).accepted["issued_at"].to_list() == [at(2025, 10, 16, 22)]


# --- lookups ----------------------------------------------------------------------------------------------------------


def test_a_lookup_with_dates_follows_a_terminal_to_another_machine(read):
    columns = {
        **LOG,
        "machine_id": {
            "from": "M",
            "lookup": {"6": "M02", "7": {"2025-09-01": "M03", "2025-10-12": "M05"}},
            "at": "logged_at",
        },
    }
    days = [("7", "2025-10-11 23:59"), ("7", "2025-10-12 00:00"), ("6", "2025-10-12 00:00"), ("7", "2025-08-31 23:59")]
    out = read("telemetry", columns, ["M;T", *(f"{m};{t}" for m, t in days), f"8;{T0}"])
    assert sorted(out.accepted["machine_id"].to_list()) == ["M02", "M03", "M05"]
    assert out.accepted.filter(machine_id="M05")["logged_at"].to_list() == [at(2025, 10, 12)]
    assert [(c, a["key"]) for c, a in out.reasons] == [("key_not_in_lookup", "7"), ("key_not_in_lookup", "8")]


def test_a_date_of_a_lookup_is_in_the_zone_of_the_mapping(read):
    lookup = {"7": {"2025-09-01": "M03", "2025-10-12": "M05"}}
    columns = {**LOG, "machine_id": {"from": "M", "lookup": lookup, "at": "logged_at", "time_zone": "Europe/Prague"}}
    out = read("telemetry", columns, ["M;T", "7;2025-10-11 21:59", "7;2025-10-11 22:00"])
    assert out.accepted["machine_id"].to_list() == ["M03", "M05"]


def test_a_level_in_percent_becomes_tonnes_by_the_machine(read):
    columns: dict[str, Any] = {
        **LOG,
        "machine_id": {"file_name": r"_(M\d\d)"},
        "tank_t": {"from": "Level", "unit": "pct", "full_scale": {"M01": 28.0, "M02": 21.0}, "by": "machine_id"},
    }
    lines = ["T;Level", f"{T0};50", "2025-10-17 06:01;"]
    assert read("telemetry", columns, lines, "l_M01.csv").accepted["tank_t"].to_list() == [14.0, None]
    assert read("telemetry", columns, lines, "l_M02.csv").accepted["tank_t"].to_list() == [10.5, None]
    out = read("telemetry", columns, lines, "l_M03.csv")
    assert [(c, a["key"]) for c, a in out.reasons] == [("key_not_in_lookup", "M03")] * 2
    columns["tank_t"] = {**columns["tank_t"], "optional": True}
    assert read("telemetry", columns, lines, "l_M03.csv").accepted["tank_t"].to_list() == [None, None]


def test_the_example_of_the_documents_is_read(read):
    text = (Path(__file__).parents[3] / "transforms" / "ingest" / "FORMATS.md").read_text("utf-8")
    lines = [line[4:] for line in text.split("\n") if line.startswith("    ")]
    start = next(i for i, line in enumerate(lines) if line.startswith("[columns.machine_id]"))
    example = tomllib.loads("\n".join(lines[start : lines.index('by = "machine_id"') + 1]))["columns"]
    rows = [f"{terminal};2025-10-{day} 06:00;50" for terminal, day in ((6, 11), (7, 11))]
    columns = {**LOG, **example}
    columns["tank_t"]["full_scale"]["M03"] = 20.0
    out = read("telemetry", columns, ["Terminal;T;Tank level", *rows])
    assert out.accepted.select("machine_id", "tank_t").rows() == [("M02", 10.5), ("M03", 10.0)]


def test_a_lookup_gives_numbers_and_times_of_another_column(read):
    columns = {
        "machine_id": {"from": "M"},
        "valid_from_at": {"by": "machine_id", "lookup": {"M1": dt.date(2025, 9, 1), "M2": dt.date(2025, 9, 2)}},
        "generation": {"by": "machine_id", "lookup": {"M1": "one", "M2": "two"}},
        "rows_count": {"from": "Type", "lookup": {"6-row": 6, "9": 9}},
        "row_spacing_cm": {"value": 45.0},
        "tank_capacity_t": {"by": "machine_id", "lookup": {"M1": 28.0, "M2": 21.5}},
    }
    out = read("machine_setup", columns, ["M;Type", "M1;6-row", "M2; 9"], time_zone="UTC")
    names = ["valid_from_at", "generation", "rows_count", "tank_capacity_t"]
    assert out.accepted.select(names).rows() == [(at(2025, 9, 1), "one", 6.0, 28.0), (at(2025, 9, 2), "two", 9.0, 21.5)]


def test_a_key_that_is_a_whole_number_in_a_typed_column_is_found(tmp_path, catalogue):
    frame = pl.DataFrame({"M": [7.0, 6.0], "T": [at(2025, 10, 17), at(2025, 10, 18)]})
    frame.write_parquet(tmp_path / "l.parquet")
    columns = {**LOG, "machine_id": {"from": "M", "lookup": {"7": "M03", "6": "M02"}}}
    out = take(tmp_path / "l.parquet", mapping(catalogue, "telemetry", columns), catalogue)
    assert out.accepted["machine_id"].to_list() == ["M03", "M02"]


# --- calculations -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("column", "keys", "cells", "expected"),
    [
        ("sample_kg", {"combine": "difference", "unit": "kg"}, ["30.5", "8"], 22.5),
        ("sample_kg", {"combine": "difference", "units": ["kg", "g"]}, ["30.5", "8000"], 22.5),
        ("sample_kg", {"combine": "sum", "unit": "lb"}, ["10", "20"], 30 * 0.45359237),
        ("sample_kg", {"combine": "sum", "unit": "kg"}, ["10", ""], None),
        ("sample_kg", {"combine": "mean", "unit": "kg"}, ["10", ""], 10.0),
        ("sample_kg", {"combine": "first", "unit": "kg"}, ["", "20"], 20.0),
        ("sample_kg", {"combine": "scaled", "unit": "kg"}, ["2", "100", "25"], 8.0),
        ("sample_kg", {"combine": "scaled", "units": ["g", "ha", "m2"]}, ["2", "1", "25"], 0.8),
        ("sugar_pct", {"combine": "ratio", "units": ["g", "kg"]}, ["170", "1"], 17.0),
        ("sugar_pct", {"combine": "ratio", "units": ["g", "kg"]}, ["170", "0"], None),
        ("sugar_pct", {"combine": "ratio", "units": ["g", "kg"]}, ["", "1"], None),
        ("sugar_pct", {"combine": "first", "unit": "permille"}, ["", "170"], 17.0),
    ],
)
def test_a_calculation_has_the_stored_unit_and_no_value_without_all_its_parts(read, column, keys, cells, expected):
    names = [f"c{i}" for i in range(len(cells))]
    columns = {**TARE, column: {"from": names, **keys}}
    out = read("tare", columns, [";".join(["S", "L", "D", *names]), ";".join(["s", "l", "6", *cells])])
    got = out.accepted[column].to_list()
    assert got == [expected] if expected is None else got == [pytest.approx(expected, rel=1e-12)]


def test_a_mass_over_an_area_is_a_loss_per_hectare(read):
    columns = {
        "audit_id": {"from": "A"},
        "machine_id": {"value": "M1"},
        "field_id": {"value": "F1"},
        "audited_at": {"from": "T", "format": "%Y-%m-%d", "time_zone": "UTC"},
        "root_loss_t_ha": {"from": ["kg", "area"], "combine": "ratio", "units": ["lb", "ft2"]},
    }
    out = read("loss_audit", columns, ["A;T;kg;area", "a;2025-10-17;2;200"])
    expected = 2 * 0.45359237 / (200 * 0.3048**2) * 10
    assert out.accepted["root_loss_t_ha"].to_list() == [pytest.approx(expected, rel=1e-12)]


def test_a_part_that_is_not_a_number_rejects_its_row(read):
    columns = {**TARE, "sample_kg": {"from": ["F", "E"], "combine": "difference", "unit": "kg"}}
    out = read("tare", columns, ["S;L;D;F;E", "s;l;6;30;8", "t;m;6;30;x"])
    assert out.accepted["sample_kg"].to_list() == [22.0]
    assert out.reasons == [("not_a_number", {"column": "F / E"})]


# --- words for flags --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("word", ["nie", "nein", "no", "nee", "non", "нет", "Nein", "NO", "0", "false", "ne", "ложь"])
def test_a_ticket_that_is_not_cancelled_is_not(read, word):
    out = read("tare", {**TARE, "cancelled": {"from": "C"}}, ["S;L;D;C", f"s;l;6;{word}"])
    assert out.accepted["cancelled"].to_list() == [False]


@pytest.mark.parametrize("word", ["tak", "ja", "yes", "oui", "si", "Sí", "да", "1", "x", "X", "ano", "prawda"])
def test_a_cancelled_ticket_is_cancelled(read, word):
    out = read("tare", {**TARE, "cancelled": {"from": "C"}}, ["S;L;D;C", f"s;l;6;{word}"])
    assert out.accepted["cancelled"].to_list() == [True]


def test_x_or_blank_and_own_words_of_a_flag(read):
    marked = read("tare", {**TARE, "cancelled": {"from": "C"}}, ["S;L;D;C", "s;l;6;x", "t;l;6;"])
    assert marked.accepted["cancelled"].to_list() == [True, False]
    words = {"gültig": "no", "storniert": "yes", "ja": "no"}
    own = read(
        "tare",
        {**TARE, "cancelled": {"from": "C", "words": words}},
        ["S;L;D;C", "s;l;6;gültig", "t;l;6;storniert", "u;l;6;ja", "v;l;6;oui"],
    )
    assert own.accepted["cancelled"].to_list() == [False, True, False, True]


def test_an_unknown_word_of_a_flag_is_named_with_its_column(read):
    out = read("tare", {**TARE, "cancelled": {"from": "C"}}, ["S;L;D;C", "s;l;6;vielleicht", "t;l;6;ja", "u;l;6;?"])
    assert out.accepted["sample_id"].to_list() == ["t"]
    assert [(c, a["column"], a["word"]) for c, a in out.reasons] == [
        ("word_not_known", "C", "vielleicht"),
        ("word_not_known", "C", "?"),
    ]


def test_directions_and_openings_are_words_of_numbers(read):
    columns = {
        **LOG,
        "rear_roller_reversed": {"from": "R", "unit": "flag"},
        "unloading": {"from": "U", "words": {"": 0, "auf": 1}},
    }
    words = [("fwd", "1"), ("Rev.", "ja"), ("vorwärts", "nein"), ("wstecz", ""), ("0", "auf"), ("1", "0"), ("", "1")]
    rows = [f"M1;2025-10-17 06:0{i};{r};{u}" for i, (r, u) in enumerate(words)]
    out = read("telemetry", columns, ["M;T;R;U", *rows])
    assert out.accepted["rear_roller_reversed"].to_list() == [0.0, 1.0, 0.0, 1.0, 0.0, 1.0, None]
    assert out.accepted["unloading"].to_list() == [1.0, 1.0, 0.0, 0.0, 1.0, 0.0, 1.0]
    bad = read("telemetry", columns, ["M;T;R;U", f"M1;{T0};links;1", f"M2;{T0};fwd;1"])
    assert [(c, a["column"], a["word"]) for c, a in bad.reasons] == [("word_not_known", "R", "links")]
    assert bad.accepted["machine_id"].to_list() == ["M2"]


def test_words_of_flags_keep_the_fast_parser(catalogue, tmp_path, monkeypatch):
    columns = {**LOG, "rear_roller_reversed": {"from": "R", "unit": "flag"}, "tank_t": {"from": "K", "unit": "t"}}
    (tmp_path / "f.csv").write_text(f"M;T;R;K\nM1;{T0};fwd;1.5\n")
    monkeypatch.setattr(delimited, "parse_text", None)
    out = take(tmp_path / "f.csv", mapping(catalogue, "telemetry", columns), catalogue)
    assert out.accepted.select("rear_roller_reversed", "tank_t").rows() == [(0.0, 1.5)]


def test_more_unknown_words_than_are_named_reject_their_rows(read):
    rows = [f"s{i};l;6;word{i}" for i in range(30)]
    out = read("tare", {**TARE, "cancelled": {"from": "C"}}, ["S;L;D;C", *rows])
    codes = [c for c, _ in out.reasons]
    assert (codes.count("word_not_known"), codes.count("unknown_word")) == (20, 10)


# --- times ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("form", "cell", "expected"),
    [
        ("excel_1900", "45947.587", at(2025, 10, 17, 14, 5, seconds=16.8)),
        ("excel_1900", "36526", at(2000, 1, 1)),
        ("excel_1904", "44485.5", at(2025, 10, 17, 12)),
        ("epoch_s", "1760709900", at(2025, 10, 17, 14, 5)),
        ("epoch_ms", "1760709900250", at(2025, 10, 17, 14, 5, seconds=0.25)),
        ("%m/%d/%Y %I:%M %p", "10/17/2025 2:05 PM", at(2025, 10, 17, 14, 5)),
        ("%m/%d/%Y %I:%M %p", "10/17/2025 12:05 a.m.", at(2025, 10, 17, 0, 5)),
        ("%d.%m.%Y %H:%M Uhr", "17.10.2025 14:05 Uhr", at(2025, 10, 17, 14, 5)),
        ("%d.%m.%Y %H:%M", "17.10.2025 24:00", at(2025, 10, 18)),
        ("%Y-%m-%d %H:%M:%S", "2025-10-31 24:00:00", at(2025, 11, 1)),
        ("%d.%m.%Y %H:%M", "17.10.2025 24:01", None),
        ("excel_1900", "soon", None),
        ("epoch_s", "1e300", None),
    ],
)
def test_a_form_of_time(read, form, cell, expected):
    columns = {**LOG, "logged_at": {"from": "T", "format": form, "time_zone": "UTC"}}
    out = read("telemetry", columns, ["M;T", f"M1;{cell}", f"M1;{cell}0" if expected is None else "M1;"])
    if expected is None:
        assert {c for c, _ in out.reasons} == {"not_a_time"}
    else:
        assert out.accepted["logged_at"].to_list() == [expected]


def test_a_day_and_a_time_of_a_workbook_are_added_and_local(read):
    columns = {**LOG, "logged_at": {"from": ["T", "H"], "format": "excel_1900", "time_zone": "Europe/Prague"}}
    out = read("telemetry", columns, ["M;T;H", "M1;45947;0,5"], decimal=",")
    assert out.accepted["logged_at"].to_list() == [at(2025, 10, 17, 10)]


def test_the_first_of_two_time_columns_is_read(read):
    columns = {**LOG, "logged_at": {**LOG["logged_at"], "from": ["Zeit", "T"], "combine": "first", "optional": True}}
    assert read("telemetry", columns, ["M;T", f"M1;{T0}"]).accepted["logged_at"].to_list() == [at(2025, 10, 17, 6)]
    both = read("telemetry", columns, ["M;Zeit;T", f"M1;;{T0}", "M1;2025-10-17 07:00;x"])
    assert both.accepted["logged_at"].to_list() == [at(2025, 10, 17, 6), at(2025, 10, 17, 7)]


# --- headers and encodings --------------------------------------------------------------------------------------------

HEADER = ["Gerät;Rodetiefe;;Drehzahl 2;Zeit", ";links [cm];rechts [cm];1/min;"]
ROW = f"Ščeř 1;5;7;80;{T0}"


@pytest.mark.parametrize("mark", [" ", " / "])
def test_a_header_of_two_rows_with_digits_is_addressable(read, mark):
    columns = {
        "machine_id": {"from": "Gerät"},
        "logged_at": {"from": "Zeit", "format": "%Y-%m-%d %H:%M", "time_zone": "UTC"},
        "share_depth_cm": {"from": [f"Rodetiefe{mark}links [cm]", f"Rodetiefe{mark}rechts [cm]"], "unit": "cm"},
        "cleaner_1_speed_rpm": {"from": f"Drehzahl 2{mark}1/min", "unit": "rpm"},
    }
    out = read("telemetry", columns, [*HEADER, ROW], header_rows=2)
    assert out.accepted.select("machine_id", "share_depth_cm", "cleaner_1_speed_rpm").rows() == [("Ščeř 1", 6.0, 80.0)]


@pytest.mark.parametrize(
    ("encoding", "written", "name", "value"),
    [
        ("cp1250", "cp1250", "Hloubka vyorávání č. 2", "Ščeř"),
        ("cp852", "cp852", "Głębokość 2", "Łódź"),
        ("cp1251", "cp1251", "Глубина копки 2", "Машина"),
        ("utf-16", "utf-16", "Глубина 2", "Machine Ł"),
        ("utf-16", "utf-16-le", "Глубина 2", "Machine Ł"),
        ("utf-16", "utf-16-be", "Глубина 2", "Machine Ł"),
        ("utf-16-le", "utf-16", "Tiefe 2 ü", "Erntegerät ß"),
        ("utf-16-be", "utf-16-be", "Tiefe 2 ü", "Erntegerät ß"),
    ],
)
def test_a_header_in_another_encoding_is_decoded(tmp_path, catalogue, encoding, written, name, value):
    columns = {**LOG, "share_depth_cm": {"from": name, "unit": "cm"}}
    (tmp_path / "l.csv").write_bytes(f"M;T;{name}\r\n{value};{T0};6,5\r\n".encode(written))
    out = take(tmp_path / "l.csv", mapping(catalogue, "telemetry", columns, encoding=encoding, decimal=","), catalogue)
    assert out.accepted.select("machine_id", "share_depth_cm").rows() == [(value, 6.5)]


def test_digits_as_names_of_a_sheet_are_kept(tmp_path, catalogue):
    with xlsxwriter.Workbook(tmp_path / "t.xlsx") as out:
        page = out.add_worksheet("L")
        page.write_row(0, 0, ["S", "L", 2025, 2.5])
        page.write_row(1, 0, ["s", "l", 6.5, 17])
    columns = {**TARE, "dirt_tare_pct": {"from": "2025", "unit": "pct"}, "sugar_pct": {"from": "2.5", "unit": "pct"}}
    taken = take(tmp_path / "t.xlsx", mapping(catalogue, "tare", columns), catalogue)
    assert taken.accepted.select("dirt_tare_pct", "sugar_pct").rows() == [(6.5, 17.0)]
