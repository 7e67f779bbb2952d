"""Reading files through mappings: every row is accepted, rejected with its reason, or repeated."""

import datetime as dt
from pathlib import Path

import polars as pl
import pytest
import xlsxwriter

from tests.support.taking import take
from transforms.config.problems import ConfigError
from transforms.contracts.reason import codes_of
from transforms.ingest.mapping import Mapping
from transforms.ingest.mapping_file import read_mapping

TICKETS = """
kind = "load"
files = ["t*.csv"]
separator = ";"
decimal = ","
time_zone = "Europe/Prague"
[columns.load_id]
from = "No"
[columns.field_id]
from = "Field"
[columns.site_id]
value = "north"
[columns.weighed_at]
from = "At"
format = "%d.%m.%Y %H:%M:%S"
[columns.delivered_t]
from = "Delivered"
unit = "kg"
[columns.clean_t]
from = "Clean"
unit = "kg"
"""
HEADER = "No;Field;At;Delivered;Clean\n"
GOOD = "1;F1;01.10.2025 14:30:00;27000,5;24000\n"


@pytest.fixture
def mapping(tmp_path: Path, catalogue) -> Mapping:
    path = tmp_path / "tickets.toml"
    path.write_text(TICKETS)
    return read_mapping(path, catalogue)


def taken(tmp_path: Path, mapping: Mapping, catalogue, text: str | bytes):
    path = tmp_path / "t1.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return take(path, mapping, catalogue)


def test_local_time_and_decimal_comma_become_utc_and_tonnes(tmp_path, mapping, catalogue):
    row = taken(tmp_path, mapping, catalogue, HEADER + GOOD).accepted.row(0, named=True)
    assert row["weighed_at"] == dt.datetime(2025, 10, 1, 12, 30, tzinfo=dt.UTC)
    assert row["delivered_t"] == pytest.approx(27.0005)
    assert row["site_id"] == "north"
    assert row["machine_id"] is None


def test_unpadded_times_and_windows_line_ends(tmp_path, mapping, catalogue):
    text = HEADER.replace("\n", "\r\n") + "1;F1;1.10.2025 4:3:5;27000;24000\r\n"
    assert taken(tmp_path, mapping, catalogue, text).accepted["weighed_at"][0].second == 5


def test_after_the_clocks_went_back_an_hour_is_one_hour_behind_utc(tmp_path, mapping, catalogue):
    text = HEADER + "1;F1;26.10.2025 02:30:00;27000;24000\n2;F1;26.10.2025 03:30:00;27000;24000\n"
    hours = taken(tmp_path, mapping, catalogue, text).accepted["weighed_at"].dt.hour().to_list()
    assert hours == [0, 2]


AT = ("not_a_time", {"column": "At", "form": "%d.%m.%Y %H:%M:%S", "time_zone": "Europe/Prague"})
NET = {"code": "not_above_bound", "args": {"column": "clean_t", "bound": 0}}
ABOVE_0 = ("not_above_bound", {"column": "delivered_t", "bound": 0, "also": [NET]})
EMPTY_ID = ("column_empty", {"column": "load_id"})


@pytest.mark.parametrize(
    ("row", "rule", "reason"),
    [
        ("2;F1;31.02.2025 14:30:00;27000;24000\n", "not_a_time", AT),
        ("2;F1;01.10.2025 14:30:00;heavy;24000\n", "not_a_number", ("not_a_number", {"column": "Delivered"})),
        ("2;F1;01.10.2025 14:30:00;27.000;24000\n", "not_a_number", ("not_a_number", {"column": "Delivered"})),
        ("2;F1;01.10.2025 14:30:00;0;0\n", "delivered_t|min_exclusive", ABOVE_0),
        ("2;F1;01.10.2025 14:30:00;24000;27000\n", "clean_above_delivered", ("clean_above_delivered", {})),
        (";F1;01.10.2025 14:30:00;27000;24000\n", "load_id|nullability", EMPTY_ID),
        ("2;F1;01.10.2025 14:30:00;27000\n", "uneven_row", ("uneven_row", {})),
        ("2;F1;01.10.2025 14:30:00;27000;1;2;3\n", "uneven_row", ("uneven_row", {})),
        ("*** printer out of paper ***\n", "uneven_row", ("uneven_row", {})),
        (
            "1;F9;01.10.2025 14:30:00;27000;24000\n",
            "same_key_twice",
            ("same_key_twice", {"key": ["load_id", "revision"]}),
        ),
    ],
)
def test_a_bad_row_is_rejected_with_its_line_its_text_and_its_reason(tmp_path, mapping, catalogue, row, rule, reason):
    out = taken(tmp_path, mapping, catalogue, HEADER + GOOD + row)
    assert out.accepted.height == 1
    bad = out.rejected.row(0, named=True)
    assert (bad["rule"], bad["line"], bad["raw"]) == (rule, 3, row.strip("\n"))
    assert out.reasons[0] == reason


def test_a_row_that_breaks_two_rules_is_one_rejected_row(tmp_path, mapping, catalogue):
    out = taken(tmp_path, mapping, catalogue, HEADER + ";F1;01.10.2025 14:30:00;0;0\n")
    assert out.rejected.height == 1
    assert set(codes_of(*out.rejected.select("reason_code", "reason_args").row(0))) == {
        "column_empty",
        "not_above_bound",
    }


def test_repeated_rows_are_counted_and_not_taken_twice(tmp_path, mapping, catalogue):
    out = taken(tmp_path, mapping, catalogue, HEADER + GOOD + GOOD + GOOD)
    assert (out.accepted.height, out.received.rows_repeated) == (1, 2)


def test_blank_lines_are_no_rows(tmp_path, mapping, catalogue):
    out = taken(tmp_path, mapping, catalogue, HEADER + "\n" + GOOD + "\n\n")
    assert (out.received.rows_in, out.accepted["line"].to_list()) == (1, [3])


def test_quoted_cells_may_hold_the_separator(tmp_path, mapping, catalogue):
    out = taken(tmp_path, mapping, catalogue, HEADER + '1;"F1;west";01.10.2025 14:30:00;27000;24000\n')
    assert out.accepted["field_id"].to_list() == ["F1;west"]


@pytest.mark.parametrize(
    ("content", "rule"),
    [
        (b"", "no_header"),
        (b"\xff\xfe\x00bad", "encoding"),
        (b"No;Field\x00;At\n", "nul_bytes"),
        (b"No;Field;When;Delivered;Clean\n1;2;3;4;5\n", "missing_column"),
    ],
)
def test_a_file_that_cannot_be_read_says_which_rule_it_broke(tmp_path, mapping, catalogue, content, rule):
    out = taken(tmp_path, mapping, catalogue, content)
    assert out.rejected.select("line", "rule").rows() == [(0, rule)]
    assert out.received.rows_in == 1


def test_a_sheet_reads_as_a_file_does(tmp_path, catalogue):
    toml = tmp_path / "tares.toml"
    lines = ['kind = "tare"', 'files = ["*.xlsx"]', 'sheet = "Lab"']
    pairs = {"sample_id": "S", "load_id": "L", "revision": "R"}
    lines += [f'[columns.{c}]\nfrom = "{s}"' for c, s in pairs.items()] + [
        '[columns.dirt_tare_pct]\nfrom = "D"\nunit = "pct"'
    ]
    toml.write_text("\n".join(lines))
    book_path = tmp_path / "a.xlsx"
    with xlsxwriter.Workbook(book_path) as book:
        page = book.add_worksheet("Lab")
        for i, row in enumerate(
            [["S", "L", "R", "D"], ["s1", "t1", 0, 6.5], ["s2", "t2", 0, "wet"], ["s3", "t3", 0, 120]]
        ):
            page.write_row(i, 0, row)
    sheet = read_mapping(toml, catalogue)
    out = take(book_path, sheet, catalogue)
    assert out.accepted.select("sample_id", "dirt_tare_pct", "line").row(0) == ("s1", 6.5, 2)
    assert out.rejected.select("line", "rule").rows() == [(3, "not_a_number"), (4, "dirt_tare_pct|max")]


@pytest.mark.parametrize(
    ("old", "new", "errors"),
    [
        ('unit = "kg"', "", {("missing_key", "unit")}),
        ('unit = "kg"', 'unit = "stone"', {("wrong_value", "unit")}),
        ('unit = "kg"', 'unit = "cm"', {("conflict", "unit")}),
        ("Europe/Prague", "Europe/Nowhere", {("wrong_value", "time_zone")}),
        ('kind = "load"', 'kind = "lorry"', {("wrong_value", "kind")}),
        ("[columns.delivered_t]", "[columns.mass_kg]", {("unknown_key", "mass_kg"), ("missing_key", "delivered_t")}),
        ('separator = ";"', "separatr = 1", {("unknown_key", "separatr"), ("conflict", "separator")}),
        ('[columns.field_id]\nfrom = "Field"', "", {("missing_key", "field_id")}),
        ('format = "%d.%m.%Y %H:%M:%S"', "", {("missing_key", "format")}),
        ('kind = "load"', "kind = ", {("wrong_file", "")}),
    ],
)
def test_a_wrong_mapping_is_one_sentence_with_its_place_and_how_to_mend_it(tmp_path, catalogue, old, new, errors):
    path = tmp_path / "wrong.toml"
    path.write_text(TICKETS.replace(old, new))
    with pytest.raises(ConfigError) as problem:
        read_mapping(path, catalogue)
    assert {(p.code, p.key) for p in problem.value.problems} == errors
    assert all("wrong.toml" in p.where and p.remedy for p in problem.value.problems)


def test_left_and_right_are_averaged_and_one_bad_side_rejects(tmp_path, catalogue):
    path = tmp_path / "log.toml"
    path.write_text(
        'kind = "telemetry"\nfiles = ["*.csv"]\n[columns.machine_id]\nfile_name = "m(\\\\d+)"\n'
        '[columns.logged_at]\nfrom = "t"\nformat = "%Y-%m-%dT%H:%M:%SZ"\ntime_zone = "UTC"\n'
        '[columns.share_depth_cm]\nfrom = ["l", "r"]\nunit = "mm"\n'
    )
    log = tmp_path / "m7.csv"
    log.write_text("t,l,r\n2025-10-01T05:00:00Z,60,80\n2025-10-01T05:00:10Z,60,x\n2025-10-01T05:00:20Z,,80\n")
    mapping = read_mapping(path, catalogue)
    out = take(log, mapping, catalogue)
    assert out.accepted.select("machine_id", "share_depth_cm").rows() == [("7", 7.0), ("7", 8.0)]
    assert out.rejected["line"].to_list() == [3]
    assert out.accepted.schema["share_depth_cm"] == pl.Float64
