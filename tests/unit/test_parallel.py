"""Work that is spread over processes ends as if it had been done here: same order, same tables, to the bit."""

import importlib
import math
import os
import pickle
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from concurrent.futures.process import BrokenProcessPool
from operator import attrgetter
from pathlib import Path

import pytest

from flows import stages
from flows.pipeline.demo import write_demo
from tests.support.servers import until
from tests.support.workspace_tables import assert_same, every_table
from tests.validation.seasons import QUIET, Season
from transforms import parallel as spreading
from transforms.arrays import narrow
from transforms.config.workspace import Workspace
from transforms.ingest import parallel_read as apart
from transforms.parallel import ProcessExecutor, SharedValue, local, serial


@pytest.fixture(scope="module")
def started() -> Iterator[ProcessExecutor]:
    """Two processes for all tests that do not end them: starting processes takes longer than the jobs."""
    with ProcessExecutor(2) as spread:
        spread.warm()
        yield spread


def test_results_keep_the_order_of_the_jobs_whatever_there_is_of_them(started):
    for count in (0, 1, 3, 64, 200):
        assert list(started(math.sqrt, range(count))) == list(serial(math.sqrt, range(count)))


def test_little_work_starts_no_process():
    with ProcessExecutor(2) as spread:
        assert list(spread(math.sqrt, range(5))) == [math.sqrt(k) for k in range(5)]
        assert spread._pool is None


def test_a_fault_of_a_job_comes_up_here(started):
    found = started(math.sqrt, [4.0, -1.0])
    assert next(found) == 2
    with pytest.raises(ValueError, match=r"math domain|nonnegative"):
        next(found)


def test_when_a_process_dies_its_jobs_run_once_more_in_others(tmp_path, monkeypatch):
    monkeypatch.syspath_prepend(str(Path(__file__).parents[1] / "support"))
    die_once = importlib.import_module("dying_jobs").die_once
    monkeypatch.setattr(spreading, "MIN_PARALLEL_TASKS", 1)
    jobs = [tmp_path / f"{k:02d}" for k in range(6)]
    for path in jobs[1:]:
        path.touch()
    with ProcessExecutor(2) as spread:
        assert list(spread(die_once, jobs)) == [path.name for path in jobs]
        with pytest.raises(BrokenProcessPool):
            list(spread(os._exit, [1, 1]))
        assert list(spread(abs, [-1, -2])) == [1, 2]


class MakesFolder:
    """Makes a folder inside another wherever it is read from a pickle, and is that folder's path there."""

    def __init__(self, inside: Path) -> None:
        self.inside = inside

    def __reduce__(self) -> tuple[Callable[..., str], tuple[str, str, str]]:
        return tempfile.mkdtemp, ("", "read-", str(self.inside))


def test_what_many_jobs_share_is_read_once_in_each_process_and_leaves_no_file(started, tmp_path):
    big = SharedValue(MakesFolder(tmp_path))
    found = list(started(attrgetter("value"), [big] * 40))
    assert len(found) == 40
    assert set(found) == {str(p) for p in tmp_path.iterdir()}
    assert 1 <= len(set(found)) <= 2
    _, (file,) = big.__reduce__()
    assert Path(file).stat().st_mode & 0o077 == 0
    del big
    assert not Path(file).exists()


STARTS_AND_WAITS = """
import multiprocessing, sys, time
from transforms.parallel import ProcessExecutor
if __name__ == "__main__":
    spread = ProcessExecutor(2)
    spread.warm()
    list(spread(abs, [1, 2]))
    print(*(p.pid for p in multiprocessing.active_children()), flush=True)
    time.sleep(60)
"""


def alive(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except FileNotFoundError:
        return False


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="tells whether a process lives by Linux's /proc")
def test_helpers_of_a_process_that_is_killed_end_with_it(tmp_path):
    script = tmp_path / "starts.py"
    script.write_text(STARTS_AND_WAITS)
    env = {**os.environ, "PYTHONPATH": str(Path.cwd())}
    with subprocess.Popen([sys.executable, script], env=env, stdout=subprocess.PIPE, text=True) as parent:
        assert parent.stdout is not None
        helpers = [int(pid) for pid in parent.stdout.readline().split()]
        assert len(helpers) == 2
        assert all(map(alive, helpers))
        parent.kill()
    until(lambda: not any(map(alive, helpers)), "the end of the helpers")


def test_handed_to_another_process_it_works_alone():
    assert pickle.loads(pickle.dumps(ProcessExecutor(8))).count == 1  # noqa: S301
    assert local(serial) is serial
    assert isinstance(local(ProcessExecutor(2)), ProcessExecutor)


def run(workspace: Workspace, spread: spreading.Executor) -> None:
    stages.bin_telemetry(workspace, QUIET, spread)
    stages.trace_loads(workspace, QUIET, spread)
    stages.compute_conditions(workspace, QUIET)
    stages.build_marts(workspace, QUIET)
    stages.assess_storability(workspace, QUIET)
    fits = stages.fit_responses(workspace, QUIET, spread)
    stages.check_fits(workspace, fits, QUIET, spread)
    stages.compare_subjects(workspace, fits, QUIET, spread)
    stages.compute_guide(workspace, fits, QUIET, spread)


def test_what_a_killed_process_left_behind_is_removed_and_nothing_else(tmp_path, monkeypatch):
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    ended = subprocess.Popen([sys.executable, "-c", ""])
    ended.wait()
    left, young, used = f"taretrace-{ended.pid}-a", f"taretrace-{ended.pid}-b", f"taretrace-{os.getpid()}-c"
    for name in (left, young, used):
        (tmp_path / name).write_bytes(b"x")
    for name in (left, used):
        os.utime(tmp_path / name, (0, 0))
    shared = SharedValue(1)
    pickle.dumps(shared)
    kept = {p.name for p in tmp_path.iterdir()}
    assert left not in kept
    assert {young, used} < kept
    assert len(kept) == 3


@pytest.mark.slow
def test_files_read_by_helpers_are_taken_in_as_if_read_here(started, tmp_path, monkeypatch):
    one = write_demo(tmp_path / "one", machines=2, days=2, seed=3, hz=0.02, reporter=QUIET)
    log = min(one.inbox.glob("log_a_M01*.csv"))
    again, broken = log.with_name("log_a_M01_w8.csv"), log.with_name("log_a_M01_w9.csv")
    lines = log.read_text().splitlines(keepends=True)
    again.write_text("".join([*lines[:2], *lines[5:80]]))
    broken.write_bytes(b"\x00\xff" * 500)
    two = Workspace(Path(shutil.copytree(one.root, tmp_path / "two")))
    for module in (spreading, apart):
        monkeypatch.setattr(module, "MIN_PARALLEL_TASKS", 1)
    reported = [{r.file for r in stages.receive_files(one, QUIET, serial)}]
    reported.append({r.file for r in stages.receive_files(two, QUIET, started)})
    assert reported[0] == reported[1]
    tables = every_table(one, telemetry=True)
    assert tables["source_file"].filter(file=again.name)["rows_repeated"].item() > 50
    assert_same(tables, every_table(two, telemetry=True))


@pytest.mark.slow
def test_every_stage_ends_the_same_on_one_process_and_on_two(season: Season, tmp_path, monkeypatch):
    monkeypatch.setattr(spreading, "MIN_PARALLEL_TASKS", 1)
    one, two = (Workspace(Path(shutil.copytree(season.workspace.root, tmp_path / n))) for n in ("one", "two"))
    for workspace in (one, two):
        shutil.rmtree(narrow(workspace.lake, Path) / "bin")
        shutil.rmtree(narrow(workspace.products, Path))
        with stages.open_warehouse(workspace) as warehouse:
            for name in ("traced_field", "lag_sample", "load_trace"):
                warehouse.replace(name, warehouse.table(name).clear())
    run(one, serial)
    with ProcessExecutor(2) as spread:
        run(two, spread)
    assert_same(every_table(one), every_table(two))
