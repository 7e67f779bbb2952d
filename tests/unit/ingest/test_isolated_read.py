"""A file that no reader survives is one rejected file, read again once; nothing else comes to harm."""

import errno
import importlib
import math
import os
import pickle
import signal
import subprocess
import sys
import time
from pathlib import Path

import polars as pl
import psutil
import pytest

from flows import stages
from tests.support.servers import until
from tests.validation.seasons import QUIET
from transforms import parallel as spreading
from transforms.config.runtime import Notify
from transforms.config.workspace import Workspace, init_workspace
from transforms.contracts.reason import reason
from transforms.errors import SourceFileError, WorkspaceError
from transforms.ingest import failed_read, isolated_read
from transforms.ingest import ingest_file as receive
from transforms.ingest import parallel_read as apart
from transforms.ingest.isolated_read import wait_for_orphans
from transforms.ingest.read_file import read_file
from transforms.ingest.reader_process import ReaderFailureError, ReaderProcess, ReadError, memory_limit, time_limit
from transforms.ingest.row_spool import RowSpool
from transforms.operations.alarms import alarms
from transforms.parallel import ProcessExecutor
from transforms.storage.lock import locked_file
from transforms.storage.warehouse import Warehouse

TESTS = str(Path(__file__).parents[2] / "support")
LOG = """
kind = "telemetry"
files = ["*.csv"]
[columns.machine_id]
from = "m"
[columns.logged_at]
from = "t"
format = "%Y-%m-%dT%H:%M:%SZ"
time_zone = "UTC"
"""


@pytest.fixture(scope="module")
def failing():
    """Readers that fail, importable by their own name in other processes too."""
    sys.path.insert(0, TESTS)
    isolated_read.get_reader().close()
    yield importlib.import_module("failing_readers")
    isolated_read.get_reader().close()
    sys.path.remove(TESTS)


@pytest.fixture(scope="module")
def process(failing):  # noqa: ARG001 - it sets the path
    """A reader process of little memory."""
    reader = ReaderProcess(memory_bytes=1 << 30)
    yield reader
    reader.close()


def test_a_function_runs_in_one_process_and_its_result_comes_back(process):
    ids = {process.call(os.getpid, seconds=60) for _ in range(3)}
    assert ids == {process.process_id}
    assert os.getpid() not in ids


@pytest.mark.parametrize(
    ("function", "arguments", "code"),
    [
        (os.abort, (), "reader_died"),
        pytest.param(os._exit, (3,), "reader_died", marks=pytest.mark.slow),
        pytest.param(signal.raise_signal, (signal.SIGSEGV,), "reader_died", marks=pytest.mark.slow),
        ("fail", ("panic",), "reader_died"),
        pytest.param("allocate", (10**12,), "reader_memory", marks=pytest.mark.slow),
        ("grow", (50 << 20,), "reader_memory"),
        (time.sleep, (60,), "reader_time"),
    ],
)
def test_a_process_that_does_not_survive_says_why_and_the_next_call_has_another(
    process, failing, function, arguments, code
):
    before = process.call(os.getpid, seconds=60)
    function = getattr(failing, function) if isinstance(function, str) else function
    with pytest.raises(ReaderFailureError) as failure:
        process.call(function, *arguments, seconds=0.5 if code == "reader_time" else 60)
    assert failure.value.code == code
    assert "grower" not in failure.value.reason.args
    assert process.call(math.sqrt, 4, seconds=60) == 2
    assert process.call(os.getpid, seconds=60) != before
    assert not psutil.pid_exists(before)


def test_a_process_that_takes_more_memory_than_it_may_is_ended(process):
    process.start()
    most, process.memory_bytes = process.memory_bytes, 20 << 20
    try:
        with pytest.raises(ReaderFailureError) as failure:
            process.call(time.sleep, 60, seconds=60)
    finally:
        process.memory_bytes = most
    assert failure.value.code == "reader_memory"


def raised(process: ReaderProcess, function, *arguments) -> Exception:
    with pytest.raises(Exception) as failure:  # noqa: PT011 - the caller looks at it
        process.call(function, *arguments, seconds=60)
    return failure.value


def test_a_function_that_fails_is_said_by_class_and_place_and_the_process_lives(process, failing):
    before = process.call(os.getpid, seconds=60)
    assert str(raised(process, failing.fail, "bug")).startswith("KeyError at failing_readers.py:")
    assert isinstance(raised(process, math.sqrt, -1), ReadError)
    refused = raised(process, failing.fail, "disk")
    assert isinstance(refused, OSError)
    assert refused.errno == errno.EIO
    assert process.call(os.getpid, seconds=60) == before


NO_HEADER = reason("header_line_empty", line=1)


def test_a_refused_file_comes_back_with_its_rule_and_its_reason():
    back = pickle.loads(pickle.dumps(SourceFileError("no_header", NO_HEADER)))  # noqa: S301
    assert (back.rule, back.reason) == ("no_header", NO_HEADER)


def test_limits_grow_with_the_file_and_are_shared():
    assert time_limit(10**9) > time_limit(10**6) > 60
    assert memory_limit(1000) == memory_limit(2000) <= memory_limit()


STARTS = """
import os, sys, time
from transforms.ingest.reader_process import ReaderProcess
reader = ReaderProcess()
print(reader.call(os.getpid, seconds=60), flush=True)
reader.call(time.sleep, 600, seconds=600)
"""


@pytest.mark.skipif(os.name != "posix", reason="processes are killed by signal")
def test_a_reader_ends_with_its_parent_and_leaves_nothing(tmp_path):
    env = {**os.environ, "PYTHONPATH": str(Path.cwd()), "TMPDIR": str(tmp_path)}
    with subprocess.Popen([sys.executable, "-c", STARTS], env=env, stdout=subprocess.PIPE, text=True) as parent:
        assert parent.stdout is not None
        child = int(parent.stdout.readline())
        assert psutil.pid_exists(child)
        parent.kill()
    until(lambda: not psutil.pid_exists(child), "the end of the reader")
    (left,) = tmp_path.iterdir()
    os.utime(left, (0, 0))
    monkeypatch = pytest.MonkeyPatch()
    with monkeypatch.context() as patch:
        patch.setattr("tempfile.tempdir", str(tmp_path))
        spreading.remove_orphans()
    assert not left.exists()


def test_a_run_waits_for_the_reader_of_one_that_was_killed(tmp_path):
    holds = "import sys, time; from pathlib import Path; from transforms.storage.lock import locked_file\n"
    holds += "with locked_file(Path(sys.argv[1])): print(1, flush=True); time.sleep(1)"
    own = tmp_path / isolated_read.READERS / "1"
    own.parent.mkdir()
    with subprocess.Popen([sys.executable, "-c", holds, str(own)], stdout=subprocess.PIPE, text=True) as orphan:
        assert orphan.stdout is not None
        orphan.stdout.readline()
        wait_for_orphans(tmp_path)
        assert orphan.wait(1) == 0
    assert not own.exists()
    wait_for_orphans(tmp_path)


def test_a_reader_that_does_not_end_is_an_error(tmp_path, monkeypatch):
    monkeypatch.setattr(isolated_read, "ORPHAN_S", 0.0)
    own = tmp_path / isolated_read.READERS / "1"
    own.parent.mkdir()
    with locked_file(own) as is_locked:
        assert is_locked
        with pytest.raises(WorkspaceError) as problem:
            wait_for_orphans(tmp_path)
    assert problem.value.values == {"process": "1"}


def test_many_rejected_rows_go_by_way_of_the_disk(monkeypatch, tmp_path):
    monkeypatch.setattr("transforms.ingest.row_spool.MAX_BYTES", 100)
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    spool = RowSpool()
    for k in range(0, 100, 10):
        spool.add(pl.DataFrame({"line": range(k, k + 10), "raw": ["x" * 5] * 10}))
    rows = spool.finish()
    assert rows.path is not None
    assert pl.concat(rows.batches())["line"].to_list() == list(range(100))
    assert pl.concat(rows.loaded().frames)["line"].to_list() == list(range(100))
    assert not list(tmp_path.iterdir())


# --- whole runs -------------------------------------------------------------------------------------------------------


def season(folder: Path, *names: str) -> Workspace:
    workspace = init_workspace(folder)
    (workspace.mappings / "log.toml").write_text(LOG)
    for k, name in enumerate(names):
        (workspace.inbox / f"{name}.csv").write_text(f"m,t\nM{k},2025-10-01T08:00:0{k}Z\n")
    return workspace


def run(workspace: Workspace, spread=spreading.serial) -> dict[str, receive.IngestedFile]:
    return {Path(r.file).stem: r for r in stages.receive_files(workspace, QUIET, spread)}


def stored(workspace: Workspace, name: str) -> pl.DataFrame:
    with Warehouse.open_read_only(workspace.warehouse) as warehouse:
        return warehouse.table(name)


@pytest.fixture
def hostile(failing, monkeypatch):
    monkeypatch.setattr(isolated_read, "read_file", failing.read)
    return failing


RULES = {"abort": "reader_died", "leaves": "reader_died", "panic": "reader_died", "bug": "internal_error"}


@pytest.mark.usefixtures("hostile")
@pytest.mark.parametrize("side_by_side", [False, pytest.param(True, marks=pytest.mark.slow)])
def test_each_file_whose_reader_fails_is_one_rejected_file_and_all_others_are_taken(
    tmp_path, monkeypatch, side_by_side
):
    monkeypatch.setattr(apart, "MIN_PARALLEL_TASKS", 1)
    workspace = season(tmp_path / "w", "a", *RULES, "z")
    with ProcessExecutor(2) as processes:
        got = run(workspace, processes if side_by_side else spreading.serial)
    assert {name: r.failure_code for name, r in got.items() if r.failure_code} == RULES
    assert [bool(r.failed) for r in got.values()] == [r.failure_code == "internal_error" for r in got.values()]
    rejected = stored(workspace, "rejected_row")
    assert {Path(f).stem: rule for f, rule in rejected.select("file", "rule").iter_rows()} == RULES
    assert rejected.height == len(RULES)
    assert not rejected["reason_args"].str.contains("grower").any()
    files = stored(workspace, "source_file")
    assert (files["rows_in"] == files["rows_accepted"] + files["rows_rejected"] + files["rows_repeated"]).all()
    assert files["rows_accepted"].sum() == 2
    assert not (workspace.lake / "taking").exists()


def test_memory_and_time_end_a_file_and_not_the_run(tmp_path, failing, monkeypatch):
    monkeypatch.setattr(isolated_read, "read_file", failing.read_slowly)
    monkeypatch.setattr(isolated_read, "time_limit", lambda _: 0.2)
    workspace = season(tmp_path / "w", "a")
    assert run(workspace)["a"].failure_code == "reader_time"
    monkeypatch.setattr(isolated_read, "time_limit", lambda _: 60)
    isolated_read.get_reader().start()
    monkeypatch.setattr(isolated_read.get_reader(), "memory_bytes", 20 << 20)
    assert run(workspace)["a"].failure_code == "reader_memory"
    assert stored(workspace, "rejected_row")["rule"].to_list() == ["reader_memory"]
    assert stored(workspace, "failed_read")["failures"].to_list() == [2]


@pytest.mark.usefixtures("hostile")
def test_a_failed_file_is_read_again_once_and_then_kept_in_quarantine(tmp_path, monkeypatch):
    workspace = season(tmp_path / "w", "abort", "a")
    assert set(run(workspace)) == {"abort", "a"}
    assert stages.examine_files(workspace, QUIET).failed["in_quarantine"].to_list() == [False]
    assert set(run(workspace)) == {"abort"}
    for _ in range(2):
        assert run(workspace) == {}
    examined = stages.examine_files(workspace, QUIET)
    assert examined.received == []
    assert examined.failed.select("file", "reason_code", "failures", "in_quarantine").rows() == [
        ("abort.csv", "reader_died", 2, True)
    ]
    assert stored(workspace, "rejected_row").height == 1
    assert stored(workspace, "source_file").height == 2
    monkeypatch.setattr(isolated_read, "read_file", read_file)
    assert run(workspace) == {}
    (workspace.mappings / "log.toml").write_text(LOG + '[columns.work_state]\nvalue = "working"\n')
    assert run(workspace)["abort"].rows_accepted == 1
    assert stored(workspace, "failed_read").height == 0
    assert stored(workspace, "rejected_row").height == 0


@pytest.mark.usefixtures("hostile")
def test_a_file_in_quarantine_is_read_again_by_another_program_and_fails_as_if_for_the_first_time(
    tmp_path, monkeypatch
):
    workspace = season(tmp_path / "w", "bug")
    for _ in range(2):
        run(workspace)
    monkeypatch.setattr(failed_read, "_program", lambda: "another")
    assert set(run(workspace)) == {"bug"}
    assert stored(workspace, "failed_read").select("failures", "program").rows() == [(1, "another")]
    monkeypatch.setattr(isolated_read, "read_file", read_file)
    assert run(workspace)["bug"].rows_accepted == 1
    assert stored(workspace, "failed_read").height == 0


@pytest.mark.usefixtures("hostile")
def test_a_fault_of_the_disk_is_no_fault_of_the_file(tmp_path):
    workspace = season(tmp_path / "w", "disk", "a")
    for _ in range(3):
        assert run(workspace)["disk"].failed.startswith("OSError")
    assert stored(workspace, "failed_read").height == 0
    assert stored(workspace, "source_file").height == 1


@pytest.mark.usefixtures("hostile")
def test_a_file_that_was_taken_away_is_no_longer_listed(tmp_path):
    workspace = season(tmp_path / "w", "abort", "bug")
    run(workspace)
    with Warehouse.open_read_only(workspace.warehouse) as warehouse:
        raised = alarms(warehouse, [], Notify())
    assert sorted((a.kind, a.subject) for a in raised) == [("failed_read", "abort.csv"), ("failed_read", "bug.csv")]
    (workspace.inbox / "abort.csv").unlink()
    run(workspace)
    with Warehouse.open_read_only(workspace.warehouse) as warehouse:
        assert [a.subject for a in alarms(warehouse, [], Notify())] == ["bug.csv"]


@pytest.mark.usefixtures("hostile")
def test_a_check_rejects_the_file_and_writes_nothing(tmp_path):
    workspace = season(tmp_path / "w", "abort", "a", "bug")
    examined = stages.examine_files(workspace, QUIET)
    assert [r.rows_accepted for r in examined.received] == [1, 0, 0]
    assert sorted(examined.rejected["rule"]) == ["internal_error", "reader_died"]
    assert not workspace.warehouse.exists()
