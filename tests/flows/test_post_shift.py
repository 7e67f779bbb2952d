"""The post-shift flow: retries only around input and output, silent Prefect, and recovery after a crash."""

import os
import shutil
import subprocess
import sys

import polars as pl
import pytest

from flows import stages
from flows.pipeline.demo import write_demo
from flows.runtime.prefect_env import QUIET, settle_prefect
from tests.support.program import taretrace, taretrace_here
from tests.validation.seasons import QUIET as SILENT
from tests.validation.seasons import ingest
from transforms.config.workspace import Workspace
from transforms.operations.export import exported_tables
from transforms.storage.lake import Lake
from transforms.storage.warehouse import Warehouse


def test_prefect_keeps_its_state_in_the_workspace_and_existing_variables_are_kept(monkeypatch, tmp_path):
    for name in ("PREFECT_HOME", *QUIET):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("PREFECT_LOGGING_LEVEL", "DEBUG")
    settle_prefect(tmp_path / ".prefect")
    assert os.environ["PREFECT_HOME"] == str(tmp_path / ".prefect")
    assert os.environ["PREFECT_SERVER_ANALYTICS_ENABLED"] == "false"
    assert os.environ["PREFECT_LOGGING_LEVEL"] == "DEBUG"


RETRY = """
import sys
from pathlib import Path
from flows.runtime.prefect_server import Engine
with Engine(Path(sys.argv[1])) as engine:
    engine.ready()
    from prefect import flow
    from flows.pipeline import tasks
    from flows.pipeline.run_context import RunContext, perform, running
    from tests.validation.seasons import QUIET
    from transforms.config.workspace import Workspace
    from transforms.parallel import serial
    tasks.RETRY_WAIT_S = 0
    tries = []
    def reads(kind):
        tries.append(kind)
        raise {"io": OSError("disk is busy"), "internal": ValueError("a fault")}[kind]
    @tasks._stage_task("reads", retries=2)
    def read(kind):
        return perform("reads", lambda _: reads(kind))
    @flow(name="t")
    def once(kind):
        try:
            with running(RunContext(Workspace(Path(sys.argv[1]).parent), QUIET, serial)):
                read(kind)
        except Exception:
            pass
    once("io"); once("internal")
    print(tries.count("io"), tries.count("internal"))
"""


@pytest.mark.slow
def test_only_file_system_errors_are_retried(demo):
    # Reuse the demo's Prefect home: creating a new one takes longer than the test.
    home = str(demo.workspace.root / ".prefect")
    done = subprocess.run([sys.executable, "-c", RETRY, home], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["3", "1"]
    assert done.stderr == ""  # the log goes to the server, the console stays silent


def _tables(workspace: Workspace) -> dict[str, pl.DataFrame]:
    with stages.open_warehouse(workspace) as warehouse:
        tables = exported_tables(warehouse, Lake(workspace.lake))
    return {n: t.drop("received_at", strict=False).sort(t.columns[:3]) for n, t in tables.items()}


@pytest.mark.slow
@pytest.mark.parametrize("cut_at", [1, 4, 9])
def test_a_run_interrupted_while_reading_is_completed_by_the_next(tmp_path, monkeypatch, cut_at):
    whole = write_demo(tmp_path / "whole", machines=2, days=2, seed=3, hz=0.1, reporter=SILENT)
    shutil.copytree(whole.root, tmp_path / "cut")
    cut = Workspace(tmp_path / "cut")
    append, calls = Warehouse.append, []

    def power_fails(self: Warehouse, name: str, rows: pl.DataFrame) -> None:
        calls.append(name)
        if len(calls) == cut_at:
            raise KeyboardInterrupt
        append(self, name, rows)

    monkeypatch.setattr(Warehouse, "append", power_fails)
    with pytest.raises(KeyboardInterrupt):
        stages.receive_files(cut, SILENT)
    monkeypatch.undo()
    ingest(cut)
    ingest(whole)
    left, right = _tables(cut), _tables(whole)
    for name, table in right.items():
        assert table.equals(left[name]), name


@pytest.mark.slow
def test_a_second_post_shift_run_finds_nothing_new_and_writes_the_page_again(demo, tmp_path, monkeypatch):
    # Creating a new Prefect home takes longer than the run.
    monkeypatch.setenv("PREFECT_HOME", str(demo.workspace.root / ".prefect"))
    folder = tmp_path / "season"
    write_demo(folder, machines=2, days=2, seed=3, hz=0.1, reporter=SILENT)
    assert taretrace_here("ingest", folder, "--json").code == 0
    again = taretrace("post-shift", folder)
    assert again.code == 0
    assert "No new files" in again.out
    assert "Shift page:" in again.out
    assert "Traceback" not in again.err
    assert "Error" not in again.err


@pytest.mark.slow
def test_every_stage_is_a_command(tmp_path):
    folder = tmp_path / "season"
    write_demo(folder, machines=3, days=8, seed=3, hz=0.05, reporter=SILENT)
    output = {}
    for command in (["ingest"], ["fit"], ["advise"], ["report", "shift"], ["export"], ["status"]):
        ran = taretrace_here(*command, folder)
        assert ran.code == 0, ran.err
        output[command[0]] = ran.out + ran.err
    assert "rows in" in output["ingest"]
    with Warehouse.open_read_only(folder / "warehouse.duckdb") as warehouse:
        assert "dirt_tare_pct" in warehouse.table("fit_run")["response"].to_list()
    assert "key out" in output["advise"]
    assert "Shift page:" in output["report"]
    assert (folder / "out" / "shift.html").exists()
    assert (folder / "out" / "tables" / "load_fact.parquet").exists()
    assert "Rejected rows by reason" in output["status"]


def test_a_second_run_at_once_is_refused(harmed):
    with stages.open_warehouse(harmed):
        ran = taretrace("ingest", harmed.root)
    assert ran.code == 2
    assert "in use by another run" in ran.err
