"""The command `repair`: its steps, its refusals, and the runs that stop before it."""

import datetime as dt
import json
import shutil
import subprocess
import sys
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import pytest

from flows import stages
from flows.cli.repair_report import repair_workspace
from tests.support.damaged import (
    a_copy,
    empty_inbox,
    flip,
    halve,
    telemetry,
)
from tests.support.program import taretrace_here
from tests.support.workspace_tables import Whole, assert_same, every_table
from tests.validation.seasons import QUIET, ingest
from transforms.arrays import narrow
from transforms.config.workspace import Workspace
from transforms.errors import DamagedError, LockedError
from transforms.operations.health import check_workspace
from transforms.operations.retention import expire_records
from transforms.storage.lake import Lake
from transforms.storage.warehouse import Warehouse

NOW = dt.datetime.now(dt.UTC)
Harm = Callable[[Path], object]


def test_a_run_stops_with_exit_code_2_and_the_repair_is_a_command(whole: Whole, harmed: Workspace):
    empty_inbox(harmed)
    flip(telemetry(harmed))
    shutil.rmtree(telemetry(harmed).parent)
    for words in (("ingest",), ("export",)):
        ran = taretrace_here(*words, harmed.root, "--json")
        assert ran.code == (2 if words == ("ingest",) else 0), ran.err
    ran = taretrace_here("ingest", harmed.root)
    assert "taretrace repair" in ran.err
    assert ran.err.count("\n") == 1
    ran = taretrace_here("repair", harmed.root, "--json")
    assert ran.code == 0, ran.err
    assert {s["code"] for s in json.loads(ran.out)["done"]} == {"telemetry.read_again"}
    assert "Nothing" in taretrace_here("repair", harmed.root).out
    assert_same(whole.tables, every_table(harmed, telemetry=True))


def test_unrecoverable_parts_need_a_backup_or_consent(whole: Whole, harmed: Workspace):
    empty_inbox(harmed)
    shutil.rmtree(harmed.received)
    gone = telemetry(harmed)
    gone.unlink()
    ran = taretrace_here("repair", harmed.root, "--json")
    assert ran.code == 2
    assert "taretrace restore" in ran.err
    assert [s["code"] for s in json.loads(ran.out)["lost"]] == ["lake.no_source"]
    assert taretrace_here("ingest", harmed.root).code == 2
    assert taretrace_here("repair", harmed.root, "--accept-loss", "--json").code == 0
    assert taretrace_here("ingest", harmed.root).code == 0
    key = f"{gone.parent.parent.name}/{gone.parent.name}"
    assert every_table(harmed, telemetry=True).get(key, whole.tables[key].clear()).height < whole.tables[key].height


def test_a_warehouse_is_not_rebuilt_from_less_than_was_received(harmed: Workspace):
    empty_inbox(harmed)
    a_copy(harmed).unlink()
    halve(harmed.warehouse)
    damaged = harmed.warehouse.read_bytes()
    ran = taretrace_here("repair", harmed.root, "--json")
    assert ran.code == 2
    assert harmed.warehouse.read_bytes() == damaged
    ran = taretrace_here("repair", harmed.root, "--accept-loss", "--json")
    assert ran.code == 0, ran.err
    (aside,) = harmed.root.glob("warehouse.damaged-*.duckdb")
    assert aside.read_bytes() == damaged


LOCK_OWNER = "import duckdb, sys; con = duckdb.connect(sys.argv[1]); print('locked', flush=True); sys.stdin.read()"


def test_a_warehouse_in_use_is_not_called_damaged(harmed: Workspace):
    program = [sys.executable, "-c", LOCK_OWNER, str(harmed.warehouse)]
    with subprocess.Popen(program, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as other:
        assert other.stdout is not None
        assert other.stdin is not None
        assert other.stdout.readline() == "locked\n"
        found = {f.code: f.state for f in check_workspace(harmed, NOW) if f.check == "warehouse"}
        with pytest.raises(LockedError):
            Warehouse(harmed.warehouse)
        other.stdin.close()
    assert found == {"warehouse.locked": "note"}


@pytest.mark.parametrize(
    ("kind", "harm"),
    [
        ("bin", flip),
        pytest.param("rolled", Path.unlink, marks=pytest.mark.slow),
        pytest.param("rolled", flip, marks=pytest.mark.slow),
        pytest.param("bin", Path.unlink, marks=pytest.mark.slow),
    ],
)
def test_days_with_expired_records_are_rebuilt_from_copies(whole: Whole, harmed: Workspace, kind: str, harm: Harm):
    workspace = harmed
    with Warehouse(workspace.warehouse) as warehouse:
        assert expire_records(warehouse, Lake(workspace.lake), 0, NOW, set()).machine_days
    empty_inbox(workspace)
    day = next(narrow(workspace.lake, Path).glob("rolled/*/*.parquet"))
    path = narrow(workspace.lake, Path) / kind / day.parent.name / day.name
    before = path.read_bytes()
    harm(path)
    # Flipped bytes stop a run only if it reads this file.
    with pytest.raises(DamagedError) if harm is not flip else suppress(DamagedError):
        ingest(workspace)
    outcome = repair_workspace(workspace, QUIET, NOW, accept_loss=False)
    assert [s.code for s in outcome.done] == ["expired_day.made_again"]
    assert path.read_bytes() == before
    assert_same(whole.tables, {**whole.tables, **every_table(workspace)})


def test_a_damaged_file_found_during_binning_stops_the_run(harmed: Workspace):
    flip(telemetry(harmed))
    with Warehouse(harmed.warehouse) as warehouse:
        warehouse.replace("binned_day", warehouse.table("binned_day").clear())
    with pytest.raises(DamagedError, match="taretrace repair"):
        stages.bin_telemetry(harmed, QUIET)


def test_an_upgraded_workspace_has_its_telemetry_recorded(harmed: Workspace):
    with Warehouse(harmed.warehouse) as warehouse:
        before = warehouse.table("lake_file").filter(kind="telemetry")
        warehouse.replace("lake_file", before.clear())
    ingest(harmed)
    with Warehouse(harmed.warehouse) as warehouse:
        assert warehouse.table("lake_file").filter(kind="telemetry").sort("path").equals(before.sort("path"))
