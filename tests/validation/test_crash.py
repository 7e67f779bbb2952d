"""The store is never half-written: killed at random instants, on a full disk, or raced, the next run ends the same.

The default run kills a few times; `pytest -m slow` two hundred times.
"""

import os
import random
import shutil
import subprocess
import sys
import time
from pathlib import Path
from typing import IO

import polars as pl
import pytest

from flows import stages
from flows.pipeline.demo import write_demo
from flows.runtime.progress import Reporter
from tests.support.program import taretrace
from tests.support.results_page import VALIDATION, markdown_table, write_figures
from transforms.config.workspace import Workspace
from transforms.operations.export import exported_tables
from transforms.storage.lake import Lake, read_frame
from transforms.storage.lock import lock_workspace
from transforms.storage.warehouse import Warehouse

QUIET = Reporter(quiet=True)
RUN = """
import sys
from pathlib import Path
from flows import stages
from flows.runtime.progress import Reporter
from transforms.storage.lock import lock_workspace
from transforms.config.workspace import Workspace
workspace, quiet = Workspace(Path(sys.argv[1])), Reporter(quiet=True)
print("ready", flush=True)
with lock_workspace(workspace.root, "ingest"):
    stages.receive_files(workspace, quiet)
    stages.bin_telemetry(workspace, quiet)
print("done", flush=True)
"""


def take(workspace: Workspace) -> None:
    stages.receive_files(workspace, QUIET)
    stages.bin_telemetry(workspace, QUIET)


def tables(workspace: Workspace) -> dict[str, pl.DataFrame]:
    """Every table, every bin, every telemetry row; without the times of the runs."""
    with Warehouse(workspace.warehouse) as warehouse:
        out = exported_tables(warehouse, Lake(workspace.lake))
        recorded = {s[:16] for s in warehouse.table("source_file")["source_sha256"]}
        for name in ("received_load", "received_tare", "source_finding", "binned_day"):
            out[name] = warehouse.table(name)
    for key, paths in Lake(workspace.lake).machine_days(recorded).items():
        out["/".join(key)] = pl.concat([read_frame(p) for p in paths])
    return {n: t.drop("received_at", strict=False).sort(t.columns[:4]) for n, t in out.items()}


def assert_same(one: dict[str, pl.DataFrame], two: dict[str, pl.DataFrame]) -> None:
    assert one.keys() == two.keys()
    for name, table in one.items():
        assert table.equals(two[name]), name


@pytest.fixture(scope="module")
def season(tmp_path_factory) -> Workspace:
    """A small season's exports, nothing taken in yet."""
    return write_demo(tmp_path_factory.mktemp("crash") / "season", machines=3, days=3, seed=3, hz=0.2, reporter=QUIET)


@pytest.fixture(scope="module")
def undisturbed(season, tmp_path_factory) -> tuple[dict[str, pl.DataFrame], float]:
    """The tables of an undisturbed run, and how long it takes once it is ready."""
    folder = tmp_path_factory.mktemp("whole") / "w"
    shutil.copytree(season.root, folder)
    child, output = start(folder)
    began = time.perf_counter()
    assert output.read().strip() == "done"
    seconds = time.perf_counter() - began
    child.wait()
    output.close()
    return tables(Workspace(folder)), seconds


def start(folder: Path) -> tuple[subprocess.Popen[str], IO[str]]:
    """Start a run; return the process and its output once it is ready."""
    child = subprocess.Popen([sys.executable, "-c", RUN, str(folder)], stdout=subprocess.PIPE, text=True)
    assert child.stdout is not None
    assert child.stdout.readline().strip() == "ready"
    return child, child.stdout


def killed(folder: Path, after_s: float) -> bool:
    """Start a run and kill it; True where it was still running."""
    child, output = start(folder)
    time.sleep(after_s)
    running = child.poll() is None
    child.kill()
    child.wait()
    output.close()
    return running


def kill_and_finish(season: Workspace, undisturbed, folder: Path, rng: random.Random) -> bool:
    whole, seconds = undisturbed
    shutil.copytree(season.root, folder)
    hit = killed(folder, rng.uniform(0, seconds))
    workspace = Workspace(folder)
    take(workspace)
    assert_same(whole, tables(workspace))
    assert not list(folder.rglob("*.partial"))
    assert not (workspace.lake / "taking").exists()
    shutil.rmtree(folder)
    return hit


@pytest.mark.slow
def test_killed_at_any_instant_the_next_run_ends_the_same(season, undisturbed, tmp_path):
    rng = random.Random(1)
    assert any(kill_and_finish(season, undisturbed, tmp_path / str(i), rng) for i in range(2))


@pytest.mark.slow
def test_killed_at_two_hundred_instants_the_next_run_ends_the_same(season, undisturbed, tmp_path):
    rng, hits, tries = random.Random(2), 0, 0
    while hits < 200:
        hits += kill_and_finish(season, undisturbed, tmp_path / str(tries), rng)
        tries += 1
    rows = [[str(tries), str(hits), f"{undisturbed[1]:.1f} s", "0"]]
    head = ["runs started", "killed while they ran", "length of an undisturbed run", "tables that differ afterwards"]
    write_figures(VALIDATION, "crashes", markdown_table(head, rows))


@pytest.mark.slow
def test_killed_again_and_again_it_still_ends_the_same(season, undisturbed, tmp_path):
    folder = tmp_path / "w"
    shutil.copytree(season.root, folder)
    rng = random.Random(3)
    for _ in range(3):
        killed(folder, rng.uniform(0, undisturbed[1]))
    take(Workspace(folder))
    assert_same(undisturbed[0], tables(Workspace(folder)))


def mounted(folder: Path, size_kb: int) -> bool:
    folder.mkdir(exist_ok=True)
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={size_kb}k", "tmpfs", str(folder)], capture_output=True, check=False
    )
    return done.returncode == 0


@pytest.mark.slow
@pytest.mark.parametrize("spare_kb", [40, 900, 4000, 9000])
def test_on_a_full_disk_the_run_says_so_and_the_next_ends_the_same(season, undisturbed, tmp_path, spare_kb):
    disk = tmp_path / "small"
    used = sum(p.stat().st_size for p in season.root.rglob("*") if p.is_file()) // 1024 + 200
    if os.geteuid() != 0 or not mounted(disk, used + spare_kb):
        pytest.skip("mounting a small tmpfs needs root")
    try:
        folder = disk / "w"
        shutil.copytree(season.root, folder)
        ran = taretrace("ingest", folder, "--json")
        assert ran.code == 2, ran.err
        assert ran.err.startswith(
            "taretrace: the disk is full: free space on the disk of the workspace and run the same"
        )
        assert ran.err.count("\n") == 1
        subprocess.run(["mount", "-o", "remount,size=200m", str(disk)], check=True)
        take(Workspace(folder))
        assert_same(undisturbed[0], {k: v for k, v in tables(Workspace(folder)).items() if k in undisturbed[0]})
    finally:
        subprocess.run(["umount", str(disk)], check=True)


@pytest.mark.slow
def test_a_second_run_is_told_who_holds_the_workspace(season, tmp_path):
    folder = tmp_path / "w"
    shutil.copytree(season.root, folder)
    with lock_workspace(folder, "advise"):
        for command in ("ingest", "post-shift"):
            reported = taretrace(command, folder)
            assert reported.code == 2
            assert f"'taretrace advise' (process {os.getpid()}, since" in reported.err
            assert "--wait SECONDS" in reported.err


@pytest.mark.slow
def test_a_second_run_that_waits_takes_its_turn(season, undisturbed, tmp_path):
    folder = tmp_path / "w"
    shutil.copytree(season.root, folder)
    child, output = start(folder)
    second = taretrace("ingest", folder, "--wait", "60", "--json")
    child.wait()
    output.close()
    assert second.code == 0, second.err
    later = {
        "machine_day",
        "weather_filled",
        "clock_offset",
        "mass_balance",
        "load_trace",
        "load_trace_grade",
        "storability",
        "pile_ledger",
        "season_cost",
    }
    whole = {name: table for name, table in undisturbed[0].items() if name not in later}
    assert_same(whole, {name: table for name, table in tables(Workspace(folder)).items() if name in whole})
