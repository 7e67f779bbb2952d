"""Constant ids: a mapping's machine holds for a file only if the file's name cannot mean another machine."""

import json

import pytest

from transforms.ingest.constant_ids import find_id_conflict, pattern_of_id
from transforms.ingest.mapping import ColumnMapping, Mapping

HOLDS = [
    ("log_*.csv", "log_20251001.csv", "M01"),
    ("log_*.csv", "log_2025-10-01_0715.csv", "M01"),
    ("log_*.csv", "log_01.10.2025.csv", "M01"),
    ("log_*.csv", "log_20251001T061500Z.csv", "M01"),
    ("log_M01_*.csv", "log_M01_part2.csv", "M01"),
    ("log_*.csv", "log_m01_20251001.csv", "M01"),
    ("*.csv", "M01.csv", "M01"),
    ("log.csv", "log.csv", "M01"),
    ("log_?.csv", "log_-.csv", "M01"),
    ("log_M0[1]_*.csv", "log_M01_20251001.csv", "M01"),
    ("log_M01_*.csv", "mended~2~~log_M01_20251001.csv", "M01"),
]
DIFFERS = [
    ("log_*.csv", "log_M02_20251001.csv", "M02"),
    ("log_M*.csv", "log_M02.csv", "M02"),
    ("log_M1*.csv", "log_M12.csv", "M12"),
    ("log_M0[12]_*.csv", "log_M02_20251001.csv", "M02"),
    ("log_?.csv", "log_2.csv", "2"),
    ("*", "log_M010.csv", "log M010 csv"),
    ("log_*.csv", "log_99999999.csv", "99999999"),
    ("log_*.csv", "log_110203.csv", "110203"),
    ("log_*.csv", "log_20251001M02.csv", "20251001M02"),
]


def stated(pattern: str, *more: str, column: str = "machine_id", value: str = "M01", for_all: bool = False) -> Mapping:
    return Mapping("logs", "telemetry", (pattern, *more), (ColumnMapping(column, value=value, for_all_files=for_all),))


@pytest.mark.parametrize(("pattern", "name", "value"), HOLDS)
def test_an_id_holds_if_the_name_leaves_nothing_open_but_the_id_and_dates(pattern, name, value):
    assert find_id_conflict(stated(pattern, value=value), name) is None


@pytest.mark.parametrize(("pattern", "name", "text"), DIFFERS)
def test_an_id_does_not_hold_for_a_name_that_may_mean_another_machine(pattern, name, text):
    value = "M1" if "M1" in pattern else "M01"
    why = find_id_conflict(stated(pattern, value=value), name)
    assert why is not None
    assert why.code == "id_stated_for_all"
    assert json.loads(why.args) == {"column": "machine_id", "mapping": "logs", "text": text, "value": value}


def test_a_short_id_elsewhere_in_the_name_does_not_hide_another_one():
    assert find_id_conflict(stated("log_*.csv", value="1"), "log_2_part_1.csv") is not None


def test_the_mapping_may_say_that_the_id_holds_for_all_files():
    assert find_id_conflict(stated("*", for_all=True), "log_M02.csv") is None


def test_one_pattern_that_fixes_the_name_is_enough():
    assert find_id_conflict(stated("log_*.csv", "log_M02.csv"), "log_M02.csv") is None


def test_other_constants_and_ids_that_are_read_hold_for_every_file():
    assert find_id_conflict(stated("*", column="site_id"), "log_M02.csv") is None
    read = Mapping("logs", "telemetry", ("*",), (ColumnMapping("machine_id", sources=("m",)),))
    assert find_id_conflict(read, "log_M02.csv") is None
    assert find_id_conflict(stated("*", column="field_id"), "tickets_F2.csv") is not None


@pytest.mark.parametrize("name", ["log_M01_20251001_3.csv", "log_20251001_3.csv", "harvester.csv", "a[1].csv", "plain"])
def test_a_proposed_pattern_matches_its_file_and_lets_the_id_hold(name):
    mapping = stated(pattern_of_id(name, "M01"))
    assert mapping.is_match(name)
    assert find_id_conflict(mapping, name) is None


def test_a_proposed_pattern_does_not_let_the_id_hold_for_a_sister_file():
    for name, sister in (("log_M01_3.csv", "log_M02_3.csv"), ("log_7_20251001.csv", "log_8_20251001.csv")):
        assert not stated(pattern_of_id(name, "M01")).is_match(sister)
