"""Console tables: layouts, rounding, units, and text that no spreadsheet runs."""

import datetime as dt
from zoneinfo import ZoneInfo

import pytest

from flows.cli.columns import Column, Estimate, Figure, field_text, figure, money_digits, plain, shown_text
from flows.cli.console_table import ConsoleTable, tab_separated, table_lines, wrap_words
from flows.cli.stored_columns import stored_column, stored_heading
from reports.language.column_headings import HEADINGS
from reports.language.translate import use_language
from transforms.config.workspace import Workspace, init_workspace
from transforms.contracts.source_tables import CONTRACTS

FORMULAS = ["=1+1", "+1", "-1+cmd|x", "@sum", "\t=1", "\r=1"]


def seasons(tmp_path, units: str):
    workspace = init_workspace(tmp_path / units)
    text = (workspace.root / "season.toml").read_text("utf-8")
    assert 'units = "metric"' in text
    (workspace.root / "season.toml").write_text(text.replace('units = "metric"', f'units = "{units}"'), "utf-8")
    return Workspace(workspace.root).season


@pytest.mark.parametrize("text", FORMULAS)
def test_a_field_is_never_a_formula(text):
    assert field_text(text)[0] not in "=+-@\t\r"
    assert "\t" not in field_text(text)
    assert field_text(Figure(-1.25, 1)) == "-1.2"
    assert field_text(Estimate(-1.0, -2.0, 3.0, 1))[0] not in "=+-@"


def test_numbers_are_rounded_to_their_decimals():
    assert shown_text(Figure(768.6)) == "769"
    assert field_text(Figure(12345.678, 1)) == "12345.7"
    assert field_text(Figure(-0.02, 1)) == "0.0"
    assert field_text(Figure(1234.0, money_digits(1234.0))) == "1200"
    assert field_text(Figure(float("nan"), 1)) == ""
    assert shown_text(None) == shown_text(Figure(None)) == shown_text("")
    assert shown_text(Estimate(8.126, 7.9, 9.31, 1)).count("8.1") == 1


def test_a_table_is_a_grid_if_it_fits_and_records_if_not():
    table = ConsoleTable("T", (plain("Name", "a"), figure("Long heading, %", "b", 1)), [{"a": "x", "b": 1.0}] * 2)
    wide, narrow = ([line.plain for line in table_lines(table, width)] for width in (80, 12))
    assert len(wide) == 4
    assert wide[2].split() == ["x", "1.0"]
    assert narrow[0] == "Name: x"
    assert narrow.count("") == 1
    assert " ".join(narrow).split().count("heading,") == 2


def test_a_record_keeps_a_word_that_is_longer_than_the_line():
    word = "w" * 50
    table = ConsoleTable("T", (Column("Path", lambda _: word),), [{}])
    assert word in [line.plain.strip() for line in table_lines(table, 40)]


def test_a_number_keeps_its_percent_sign():
    assert wrap_words("it is 17 % now", 8) == ["it is", "17 % now"]


def test_fields_of_a_table_with_line_ends_and_tabs_stay_on_one_line():
    table = ConsoleTable("T", (plain("A", "a"), plain("B", "b")), [{"a": "x\ty\nz", "b": None}])
    lines = list(tab_separated(table))
    assert [line.count("\t") for line in lines] == [1, 1]
    assert all(len(line.splitlines()) == 1 for line in lines)


@pytest.mark.parametrize(("units", "sign", "value"), [("metric", "t", "26.74"), ("us", "ton", "29.48")])
def test_stored_columns_are_in_the_workspace_units(tmp_path, units, sign, value):
    season = seasons(tmp_path, units)
    column = stored_column("delivered_t", season)
    assert column.heading.endswith(f", {sign}")
    assert field_text(column.value({"delivered_t": 26.74})) == value
    rpm = stored_column("topper_speed_rpm", season)
    assert field_text(rpm.value({"topper_speed_rpm": 768.6})) == "770"
    assert shown_text(rpm.value({"topper_speed_rpm": 768.6})) == "770"
    assert field_text(stored_column("sections_on_pct", season).value({"sections_on_pct": 51.26})) == "51.3"


def test_settings_are_shown_as_operators_set_them_and_piped_as_numbers(tmp_path):
    metric, us = seasons(tmp_path, "metric"), seasons(tmp_path, "us")
    for season, name, value, shown, piped in (
        (metric, "cleaner_1_speed_rpm", 36.4, "36", "36"),
        (metric, "share_depth_cm", 6.234, "6.2", "6.2"),
        (us, "share_depth_cm", 6.1, "2 3/8", "2.375"),
        (metric, "share_depth_cm", float("nan"), "–", ""),
    ):
        found = stored_column(name, season).value({name: value})
        assert (shown_text(found), field_text(found)) == (shown, piped)


def test_dates_follow_the_locale_for_reading_and_are_iso_for_spreadsheets():
    day = dt.date(2025, 10, 31)
    assert (shown_text(day), field_text(day)) == ("31 Oct 2025", "2025-10-31")
    with use_language("de-DE"):
        assert (shown_text(day), field_text(day)) == ("31. Okt. 2025", "2025-10-31")
        assert shown_text(dt.datetime(2025, 10, 31, 5, 7)) == "31. Okt. 2025 05:07"  # noqa: DTZ001


def test_times_are_local(tmp_path):
    season = seasons(tmp_path, "metric")
    at = dt.datetime(2025, 7, 1, 12, 0, tzinfo=dt.UTC)
    assert stored_column("weighed_at", season).value({"weighed_at": at}) == at
    shown = field_text(stored_column("weighed_at", season).value({"weighed_at": at}))
    assert shown == at.astimezone(ZoneInfo(season.time_zone)).strftime("%Y-%m-%d %H:%M")


def test_every_column_of_a_source_table_has_a_heading(tmp_path):
    season = seasons(tmp_path, "metric")
    columns = {c for contract in CONTRACTS.values() for c in contract.column_names()}
    assert len(columns) > 50
    without = {c for c in columns if c not in HEADINGS and c not in season.catalogue}
    assert without == set()
    assert all("_" not in stored_heading(c, season) for c in columns)
