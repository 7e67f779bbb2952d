"""Commands report failed joins first, with their likely cause and remedy, and nothing on a season in order."""

import json
import shutil
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from flows import stages
from tests.support.program import Ran
from tests.support.program import taretrace_here as taretrace
from tests.support.workspace_tables import Whole
from transforms.config.workspace import Workspace
from transforms.operations.alarms import join_alarms
from transforms.operations.join_sources import find_join_findings
from transforms.storage.warehouse import Warehouse

TABLE = "Sources that do not fit together"


def not_received(whole: Whole, folder: Path, *patterns: str) -> Workspace:
    """A workspace with some files of a season, none of which is received yet."""
    folder.mkdir()
    shutil.copytree(whole.workspace.root / "mappings", folder / "mappings")
    (folder / "inbox").mkdir()
    for pattern in patterns:
        for path in whole.workspace.inbox.glob(pattern):
            shutil.copy(path, folder / "inbox")
    shutil.copy(whole.workspace.root / "season.toml", folder)
    return Workspace(folder)


def edit(workspace: Workspace, mapping: str, old: str, new: str) -> None:
    path = workspace.mappings / f"{mapping}.toml"
    text = path.read_text("utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), "utf-8")


@pytest.fixture
def spoiled(harmed: Workspace) -> Workspace:
    """A received season: load numbers of tares in small letters, and a machine that has another id in the list."""
    with Warehouse(harmed.warehouse) as warehouse:
        tares = warehouse.table("received_tare").with_columns(pl.col("load_id").str.to_lowercase())
        warehouse.replace("received_tare", tares)
        setups = warehouse.table("received_machine_setup")
        warehouse.replace("received_machine_setup", setups.with_columns(pl.col("machine_id").replace("M02", "Z9")))
    return harmed


def causes(rows: list[dict[str, str]]) -> list[tuple[str, str]]:
    return [(row["code"], row["cause_code"]) for row in rows]


def outcome(ran: Ran) -> dict[str, Any]:
    return json.loads(ran.out)


EXPECTED = [("tares_without_load", "ids_letter_case"), ("machines_without_list", "not_in_list")]


def test_a_season_in_order_has_no_finding(whole: Whole):
    root = whole.workspace.root
    assert outcome(taretrace("status", root, "--json"))["joins"] == []
    assert outcome(taretrace("check", root, "--json"))["joins"] == []
    assert TABLE not in taretrace("status", root).err
    doctor = outcome(taretrace("doctor", root, "--json"))["findings"]
    assert [f["state"] for f in doctor if f["check"] == "joins"] == ["fine"]


def test_a_larger_season_in_order_has_no_finding(season):
    with Warehouse.open_read_only(season.workspace.warehouse) as warehouse:
        assert find_join_findings(warehouse, season.workspace) == []


def test_status_shows_failed_joins_first(spoiled: Workspace):
    found = outcome(taretrace("status", spoiled.root, "--json"))
    assert next(iter(found)) == "joins"
    assert causes(found["joins"]) == EXPECTED
    assert found["joins"][0]["share"] == 1.0
    assert str(spoiled.inbox) in found["joins"][0]["remedy"]
    ran = taretrace("status", spoiled.root)
    assert ran.code == 0
    assert ran.err.splitlines()[0] == TABLE
    first = ran.out.splitlines()[1].split("\t")
    assert [first[0], first[1], first[2]] == [found["joins"][0][c] for c in ("finding", "cause", "remedy")]


def test_doctor_shows_failed_joins_first_and_does_not_report_that_all_is_in_order(spoiled: Workspace):
    ran = taretrace("doctor", spoiled.root, "--json")
    first, second, *others = outcome(ran)["findings"]
    assert [first["code"], second["code"]] == ["joins.tares_without_load", "joins.machines_without_list"]
    assert first["remedy"]
    assert not any(f["check"] == "joins" for f in others)
    shown = taretrace("doctor", spoiled.root)
    assert shown.code == ran.code == 0
    assert shown.out.splitlines()[1].startswith("joins\t")
    assert "in order" not in shown.err


def test_check_finds_a_failed_join_before_anything_is_written(whole: Whole, tmp_path):
    misread = not_received(whole, tmp_path / "w", "tickets_*", "tares*", "fields*")
    edit(misread, "tares", '"Ticket"', '"Sample"')
    before = sorted(p.name for p in misread.root.iterdir())
    found = outcome(taretrace("check", misread.root, "--json"))
    assert next(iter(found)) == "joins"
    assert causes(found["joins"]) == [("tares_without_load", "ids_of_other_column")]
    assert "tares.toml" in found["joins"][0]["remedy"]
    shown = taretrace("check", misread.root)
    assert shown.code == 0
    assert next(line for line in shown.err.splitlines() if not line.startswith("✓")) == TABLE
    assert not misread.warehouse.exists()
    assert set(before) <= {p.name for p in misread.root.iterdir()}


def test_check_finds_depths_in_another_unit_before_anything_is_written(whole: Whole, tmp_path):
    workspace = not_received(whole, tmp_path / "w", "log_*_w1*", "machines*")
    assert outcome(taretrace("check", workspace.root, "--json"))["joins"] == []
    edit(workspace, "log_a", 'unit = "cm"', 'unit = "in"')
    (finding,) = outcome(taretrace("check", workspace.root, "--json"))["joins"]
    assert (finding["code"], finding["cause_code"], finding["source"]) == ("setting_by_unit", "unit_misread", "log_a")
    assert finding["ratio"] == pytest.approx(2.54, rel=0.3)  # the machines run at different depths


def test_check_compares_new_files_with_stored_rows(harmed: Workspace):
    rows = pl.read_excel(harmed.inbox / "tares.xlsx", sheet_name="Results", infer_schema_length=0)
    changed = rows.with_columns(
        pl.format("9{}", pl.col("Sample")).alias("Sample"), pl.col("Ticket").str.replace("T", "t").alias("Ticket")
    )
    changed.write_excel(harmed.inbox / "tares_new.xlsx", worksheet="Results")
    (finding,) = outcome(taretrace("check", harmed.root, "--json"))["joins"]
    assert finding["cause_code"] == "ids_letter_case"
    assert 0.4 < finding["share"] < 0.6


@pytest.mark.usefixtures("stored_results")
def test_ingest_and_post_shift_report_failed_joins_first(spoiled: Workspace, monkeypatch):
    for name in ("bin_telemetry", "trace_loads", "compute_conditions", "build_marts", "assess_storability"):
        monkeypatch.setattr(stages, name, lambda *_: None)
    for command in ("ingest", "post-shift"):
        found = outcome(taretrace(command, spoiled.root, "--json"))
        assert next(iter(found)) == "joins"
        assert causes(found["joins"]) == EXPECTED, command
        ran = taretrace(command, spoiled.root)
        assert ran.code == 0
        assert found["joins"][0]["remedy"] in ran.out.splitlines()[0]


def test_scheduled_runs_raise_an_alarm_for_each_finding(spoiled: Workspace):
    with Warehouse.open_read_only(spoiled.warehouse) as warehouse:
        alarms = join_alarms(find_join_findings(warehouse, spoiled))
    assert [a.kind for a in alarms] == ["failed_join"] * 2
    assert alarms[0].subject == "tares_without_load tares"
    assert all(a.is_of_data for a in alarms)


def test_remedies_name_files_that_exist(spoiled: Workspace):
    for row in outcome(taretrace("status", spoiled.root, "--json"))["joins"]:
        for word in row["remedy"].replace("'", " ").split():
            if word.startswith(str(spoiled.inbox)):
                assert Path(word).exists()


@pytest.mark.parametrize(
    "pattern",
    ["tickets_*", "weather*", *(pytest.param(p, marks=pytest.mark.slow) for p in ("tares*", "fields*"))],
)
def test_workspaces_with_few_sources_are_checked(whole: Whole, tmp_path, pattern: str):
    workspace = not_received(whole, tmp_path / "w", pattern)
    ran = taretrace("check", workspace.root, "--json")
    assert ran.code == 0, ran.err
    codes = [row["cause_code"] for row in outcome(ran)["joins"]]
    assert codes == (["list_not_received"] if pattern == "tickets_*" else [])
