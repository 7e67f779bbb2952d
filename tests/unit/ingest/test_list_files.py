"""Lookups from list files: their values, their errors, and what is read again when a list changes."""

import datetime as dt
from pathlib import Path

import polars as pl
import pytest

from flows import stages
from flows.runtime.progress import Reporter
from transforms.config.problems import ConfigError
from transforms.config.workspace import init_workspace
from transforms.ingest.mapping import Mapping
from transforms.ingest.mapping_file import read_mapping
from transforms.storage.warehouse import Warehouse

QUIET = Reporter(quiet=True)
TICKETS = """
kind = "load"
files = ["tickets*.csv"]
[columns.load_id]
from = "No"
[columns.field_id]
from = "Field"
[columns.weighed_at]
from = "At"
format = "%Y-%m-%d %H:%M"
time_zone = "UTC"
[columns.delivered_t]
from = "Weight"
unit = "t"
[columns.site_id]
value = "K1"
[columns.machine_id]
from = "Lorry"
optional = true
lookup_list = { file = "lorries.csv", key = "Plate", value = "Machine", separator = ";" }
"""
LOGS = """
kind = "telemetry"
files = ["log*.csv"]
[columns.machine_id]
from = "m"
[columns.logged_at]
from = "t"
format = "%Y-%m-%dT%H:%M:%SZ"
time_zone = "UTC"
[columns.tank_t]
from = "level"
unit = "pct"
full_scale_list = { file = "tanks.xlsx", sheet = "Tanks", key = "Machine", value = "Tank kg", unit = "kg" }
by = "machine_id"
[columns.share_depth_cm]
by = "machine_id"
at = "logged_at"
[columns.share_depth_cm.lookup_list]
file = "setups.csv"
key = "Maschine"
value = "Tiefe cm"
since = "ab"
format = "%d.%m.%Y"
separator = ";"
decimal = ","
"""


def logs(folder: Path, catalogue, *, setups: str) -> Mapping:
    pl.DataFrame({"Machine": ["M1", "7"], "Tank kg": [28000, 21500]}).write_excel(folder / "tanks.xlsx", "Tanks")
    (folder / "setups.csv").write_text(setups, "utf-8")
    (folder / "logs.toml").write_text(LOGS)
    return read_mapping(folder / "logs.toml", catalogue)


def test_a_list_gives_values_by_key_and_date_in_the_stored_unit(tmp_path, catalogue):
    setups = "Maschine;ab;Tiefe cm\nM1;01.09.2025;7,5\nM1;12.10.2025;8,0\nM2;;6\nM3;;\n"
    columns = {c.column: c for c in logs(tmp_path, catalogue, setups=setups).columns}
    assert columns["tank_t"].full_scale == {"M1": 28.0, "7": 21.5}
    found = [(v.key, v.value, v.from_at) for v in columns["share_depth_cm"].lookup]
    first, second = (dt.datetime(2025, *day, tzinfo=dt.UTC) for day in ((9, 1), (10, 12)))
    assert found == [("M1", 7.5, first), ("M1", 8.0, second), ("M2", 6.0, None)]


@pytest.mark.parametrize(
    ("setups", "key"),
    [
        ("Maschine;ab;Tiefe cm\nM1;;deep\n", "Tiefe cm"),
        ("Maschine;ab;Tiefe cm\nM1;in May;7,5\n", "ab"),
        ("Maschine;ab;Tiefe cm\nM1;;7,5\nM1;;8\n", "Maschine"),
        ("Maschine;ab;depth\nM1;;7,5\n", "Tiefe cm"),
        ("Maschine;ab;Tiefe cm\n", "file"),
    ],
    ids=["number", "date", "twice", "column", "empty"],
)
def test_an_error_in_a_list_names_the_list_and_the_mapping(tmp_path, catalogue, setups, key):
    with pytest.raises(ConfigError) as reported:
        logs(tmp_path, catalogue, setups=setups)
    assert [p.key for p in reported.value.problems] == [key]
    assert "setups.csv" in str(reported.value)
    assert "[columns.share_depth_cm]" in str(reported.value)


def test_a_list_that_is_missing_or_stated_twice_is_an_error(tmp_path, catalogue):
    path = tmp_path / "tickets.toml"
    path.write_text(TICKETS)
    with pytest.raises(ConfigError) as reported:
        read_mapping(path, catalogue)
    assert [p.key for p in reported.value.problems] == ["file"]
    path.write_text(TICKETS + 'lookup = { A = "M1" }\n')
    with pytest.raises(ConfigError) as reported:
        read_mapping(path, catalogue)
    assert ("conflict", "lookup_list") in {(p.code, p.key) for p in reported.value.problems}
    path.write_text(TICKETS.replace("key = ", "kez = "))
    with pytest.raises(ConfigError) as reported:
        read_mapping(path, catalogue)
    assert {(p.code, p.key) for p in reported.value.problems} == {("unknown_key", "kez"), ("missing_key", "key")}


def test_a_changed_list_reads_the_files_again_that_used_it(tmp_path):
    made = init_workspace(tmp_path / "w")
    (made.mappings / "tickets.toml").write_text(TICKETS)
    lorries = made.mappings / "lorries.csv"
    lorries.write_text("Plate;Machine\nAB 1;M1\n")
    (made.inbox / "tickets_1.csv").write_text("No,Field,At,Weight,Lorry\n1,F1,2025-10-01 10:00,27.0,AB 1\n")
    (made.inbox / "strange.csv").write_text("a,b\n1,2\n")

    def machines() -> list[str | None]:
        with Warehouse(made.warehouse) as warehouse:
            return warehouse.table("load")["machine_id"].to_list()

    stages.receive_files(made, QUIET)
    assert machines() == ["M1"]
    lorries.write_text("Plate;Machine\nAB 1;M1\n\n")
    assert stages.receive_files(made, QUIET) == []
    lorries.write_text("Plate;Machine\nAB 1;M5\n")
    assert [r.file for r in stages.receive_files(made, QUIET)] == ["tickets_1.csv"]
    assert machines() == ["M5"]
