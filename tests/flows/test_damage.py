"""Damage to a workspace: it is detected, no run shrinks a table because of it, and the named command repairs it."""

import datetime as dt
import json
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from contextlib import nullcontext, suppress
from dataclasses import dataclass
from pathlib import Path

import duckdb
import polars as pl
import pytest

from flows import stages
from flows.demo import write_demo
from flows.repairs import repair_workspace
from tests.program import taretrace_here
from tests.proofs.seasons import QUIET, ingest
from tests.whole import assert_same, every_table
from transforms.errors import DamagedError, LockedError
from transforms.health import look_after
from transforms.lake import Lake
from transforms.run_log import RunLog
from transforms.warehouse import Warehouse
from transforms.working.roll_up import roll_up
from transforms.workspace import Workspace

NOW = dt.datetime.now(dt.UTC)
FROM_FILES = {
    "source_file", "rejected_row", "load", "tare", "field", "machine", "machine_day", "unload_event", "load_trace",
    "load_fact", "bin",
}  # fmt: skip


@dataclass(frozen=True)
class Whole:
    """A workspace in order and its tables."""

    workspace: Workspace
    tables: dict[str, pl.DataFrame]


@pytest.fixture(scope="module")
def whole(tmp_path_factory) -> Whole:
    """A small season that was ingested; its logs overlap, so that rows of one repeat another's."""
    workspace = write_demo(tmp_path_factory.mktemp("damage") / "w", machines=2, days=2, seed=3, hz=0.02, reporter=QUIET)
    log = workspace.inbox / "log_one_M01_w1.csv"
    lines = log.read_bytes().splitlines(keepends=True)
    log.write_bytes(b"".join(lines[: len(lines) * 7 // 10]))
    (workspace.inbox / "log_one_M01_w2.csv").write_bytes(b"".join([*lines[:2], *lines[len(lines) // 2 :]]))
    ingest(workspace)
    stages.keep(workspace, QUIET)
    RunLog(workspace.log).write("post-shift", "ended")
    workspace.root.chmod(0o700)
    tables = every_table(workspace, telemetry=True)
    assert tables["source_file"]["rows_repeated"].sum() > 100
    assert tables["load_fact"].height > 10
    return Whole(workspace, tables)


@pytest.fixture
def copied(whole: Whole, tmp_path) -> Workspace:
    return Workspace(Path(shutil.copytree(whole.workspace.root, tmp_path / "w")))


def flip(path: Path, at: float = 0.5, length: int = 1) -> None:
    body = bytearray(path.read_bytes())
    for k in range(int(len(body) * at), int(len(body) * at) + length):
        body[k] ^= 0x55
    path.write_bytes(body)


def halve(path: Path) -> None:
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def telemetry(w: Workspace) -> Path:
    return min(w.lake.glob("telemetry/*/*/*.parquet"))


def a_bin(w: Workspace) -> Path:
    return min(w.lake.glob("bin/*/*.parquet"))


def empty_inbox(w: Workspace) -> None:
    for path in w.inbox.iterdir():
        path.unlink()


def to_folder(path: Path) -> None:
    path.unlink()
    path.mkdir()
    (path / "x").write_text("x")


def other_database(w: Workspace) -> None:
    w.warehouse.unlink()
    with duckdb.connect(str(w.warehouse)) as con:
        con.execute("create table mine as select 1 as one")


def sqlite_database(w: Workspace) -> None:
    w.warehouse.unlink()
    with sqlite3.connect(w.warehouse) as con:
        con.execute("create table mine (one)")
    con.close()


def corrupt_page(w: Workspace) -> None:
    """Damage a block that a table stands in; which one is found by trying."""
    body, size = w.warehouse.read_bytes(), 262_144
    for block in range((len(body) - 12_288) // size):
        w.warehouse.write_bytes(body)
        flip(w.warehouse, (12_288 + block * size + size // 2) / len(body), 64)
        try:
            with Warehouse(w.warehouse, read_only=True) as warehouse:
                warehouse.table("received_load")
        except DamagedError:
            return
    pytest.fail("no block holds the table")


def stale_bin(w: Workspace) -> None:
    paths = sorted(w.lake.glob("bin/*/*.parquet"))
    paths[0].write_bytes(paths[1].read_bytes())


def garbage_log(w: Workspace) -> None:
    with next(w.log.glob("*.jsonl")).open("ab") as file:
        file.write(b"\x00\xff\xfe garbage \x80\n" * 20)


def a_copy(w: Workspace) -> Path:
    return max(w.received.glob("??/*.zst"), key=lambda p: p.stat().st_size)


Harm = Callable[[Workspace], object]
CASES: dict[str, tuple[Harm, str]] = {
    "telemetry deleted": (lambda w: telemetry(w).unlink(), "lake.file_missing"),
    "telemetry truncated": (lambda w: halve(telemetry(w)), "lake.file_altered"),
    "telemetry flipped": (lambda w: flip(telemetry(w)), "lake.file_altered"),
    "telemetry empty": (lambda w: telemetry(w).write_bytes(b""), "lake.file_altered"),
    "telemetry a folder": (lambda w: to_folder(telemetry(w)), "lake.file_missing"),
    "telemetry renamed": (lambda w: telemetry(w).rename(telemetry(w).with_name("x.parquet")), "lake.file_missing"),
    "unknown file": (lambda w: shutil.copy(telemetry(w), telemetry(w).with_name("x.parquet")), "lake.file_unknown"),
    "machine-day deleted": (lambda w: shutil.rmtree(telemetry(w).parent), "lake.file_missing"),
    "lake deleted": (lambda w: shutil.rmtree(w.lake), "lake.absent"),
    "lake empty": (lambda w: [shutil.rmtree(p) for p in w.lake.iterdir()], "lake.absent"),
    "bin deleted": (lambda w: a_bin(w).unlink(), "lake.file_missing"),
    "bin truncated": (lambda w: halve(a_bin(w)), "lake.file_altered"),
    "bin flipped": (lambda w: flip(a_bin(w)), "lake.file_altered"),
    "bin stale": (stale_bin, "lake.file_altered"),
    "taking garbage": (lambda w: (w.lake / "taking").write_bytes(b"\xff\x00garbage\n"), "lake.note_damaged"),
    "warehouse half": (lambda w: halve(w.warehouse), "warehouse.damaged"),
    "warehouse empty": (lambda w: w.warehouse.write_bytes(b""), "warehouse.damaged"),
    "warehouse random": (lambda w: flip(w.warehouse, 0, 100_000), "warehouse.damaged"),
    "warehouse header": (lambda w: flip(w.warehouse, 0, 40), "warehouse.damaged"),
    "warehouse page": (corrupt_page, "warehouse.damaged"),
    "warehouse text": (lambda w: w.warehouse.write_text("not a database\n" * 1000), "warehouse.damaged"),
    "warehouse sqlite": (sqlite_database, "warehouse.damaged"),
    "warehouse other": (other_database, "warehouse.damaged"),
    "warehouse missing": (lambda w: w.warehouse.unlink(), "warehouse.missing"),
    "wal garbage": (lambda w: Path(f"{w.warehouse}.wal").write_bytes(b"garbage" * 500), ""),
    "copy missing": (lambda w: a_copy(w).unlink(), "received.damaged"),
    "copy flipped": (lambda w: flip(a_copy(w)), "received.damaged"),
    "copy's record damaged": (lambda w: halve(a_copy(w).with_suffix(".json")), "received.damaged"),
    "mapping missing": (lambda w: (w.mappings / "log_one.toml").unlink(), "mapping.missing"),
    "mappings missing": (lambda w: [p.unlink() for p in w.mappings.iterdir()], "mapping.missing"),
    "log garbage": (garbage_log, "log.damaged"),
    "inbox empty": (lambda _: None, "received.left_inbox"),
}  # fmt: skip
HARMLESS = {"unknown file", "taking garbage", "wal garbage", "log garbage", "inbox empty"}
KEEPS_INBOX = {"copy missing", "copy flipped", "copy's record damaged"}
QUICK = {
    "telemetry deleted", "telemetry flipped", "telemetry renamed", "lake empty", "bin flipped", "taking garbage",
    "warehouse half", "warehouse page", "warehouse missing", "copy's record damaged", "mapping missing",
}  # fmt: skip


def run_keeps_tables(workspace: Workspace, tables: dict[str, pl.DataFrame]) -> None:
    """A run ends well or stops with a sentence; neither shrinks a table that can still be read."""
    with suppress(DamagedError):
        ingest(workspace)
    try:
        after = every_table(workspace)
    except DamagedError:
        return
    if workspace.warehouse.exists():
        for name in FROM_FILES - {"bin"}:
            assert after[name].equals(tables[name]), name


@pytest.mark.parametrize("case", [pytest.param(c, marks=() if c in QUICK else pytest.mark.slow) for c in CASES])
def test_damage_is_found_empties_no_table_and_is_repaired(whole: Whole, copied: Workspace, case: str):
    harm, code = CASES[case]
    if case not in KEEPS_INBOX:
        empty_inbox(copied)
    harm(copied)
    found = look_after(copied, NOW)
    if code:
        assert code in {f.code for f in found}
    wrong = [f.mend for f in found if f.state == "wrong" and f.code]
    assert bool(wrong) == (case not in HARMLESS)
    assert all(f"taretrace repair {copied.root}" in mend for mend in wrong)
    run_keeps_tables(copied, whole.tables)
    outcome = repair_workspace(copied, QUIET, NOW, accept_loss=False)
    assert not outcome.lost
    assert not [f for f in look_after(copied, NOW) if f.state == "wrong"]
    assert_same(whole.tables, every_table(copied, telemetry=True))
    assert not repair_workspace(copied, QUIET, NOW, accept_loss=False).done


def test_a_run_stops_with_exit_code_2_and_the_repair_is_a_command(whole: Whole, copied: Workspace):
    empty_inbox(copied)
    flip(telemetry(copied))
    shutil.rmtree(telemetry(copied).parent)
    for words in (("ingest",), ("export",)):
        ran = taretrace_here(*words, copied.root, "--json")
        assert ran.code == (2 if words == ("ingest",) else 0), ran.err
    ran = taretrace_here("ingest", copied.root)
    assert "taretrace repair" in ran.err
    assert ran.err.count("\n") == 1
    ran = taretrace_here("repair", copied.root, "--json")
    assert ran.code == 0, ran.err
    assert {s["code"] for s in json.loads(ran.out)["done"]} == {"telemetry.read_again"}
    assert "Nothing" in taretrace_here("repair", copied.root).out
    assert_same(whole.tables, every_table(copied, telemetry=True))


def test_what_nothing_can_rebuild_wants_a_backup_or_consent(whole: Whole, copied: Workspace):
    empty_inbox(copied)
    shutil.rmtree(copied.received)
    gone = telemetry(copied)
    gone.unlink()
    ran = taretrace_here("repair", copied.root, "--json")
    assert ran.code == 2
    assert "taretrace restore" in ran.err
    assert [s["code"] for s in json.loads(ran.out)["lost"]] == ["lake.no_source"]
    assert taretrace_here("ingest", copied.root).code == 2
    assert taretrace_here("repair", copied.root, "--accept-loss", "--json").code == 0
    assert taretrace_here("ingest", copied.root).code == 0
    key = f"{gone.parent.parent.name}/{gone.parent.name}"
    assert every_table(copied, telemetry=True).get(key, whole.tables[key].clear()).height < whole.tables[key].height


def test_a_warehouse_is_not_rebuilt_from_less_than_was_received(copied: Workspace):
    empty_inbox(copied)
    a_copy(copied).unlink()
    halve(copied.warehouse)
    damaged = copied.warehouse.read_bytes()
    ran = taretrace_here("repair", copied.root, "--json")
    assert ran.code == 2
    assert copied.warehouse.read_bytes() == damaged
    ran = taretrace_here("repair", copied.root, "--accept-loss", "--json")
    assert ran.code == 0, ran.err
    (aside,) = copied.root.glob("warehouse.damaged-*.duckdb")
    assert aside.read_bytes() == damaged


HOLDER = "import duckdb, sys; con = duckdb.connect(sys.argv[1]); print('held', flush=True); sys.stdin.read()"


def test_a_warehouse_in_use_is_not_called_damaged(copied: Workspace):
    program = [sys.executable, "-c", HOLDER, str(copied.warehouse)]
    with subprocess.Popen(program, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as other:
        assert other.stdout.readline() == "held\n"
        found = {f.code: f.state for f in look_after(copied, NOW) if f.check == "warehouse"}
        with pytest.raises(LockedError):
            Warehouse(copied.warehouse)
        other.stdin.close()
    assert found == {"warehouse.locked": "note"}


@pytest.mark.parametrize(
    ("kind", "harm"),
    [
        ("rolled", Path.unlink),
        ("bin", flip),
        pytest.param("rolled", flip, marks=pytest.mark.slow),
        pytest.param("bin", Path.unlink, marks=pytest.mark.slow),
    ],
)
def test_days_without_records_are_made_again_from_copies(whole: Whole, copied: Workspace, kind: str, harm: Harm):
    workspace = copied
    with Warehouse(workspace.warehouse) as warehouse:
        assert roll_up(warehouse, Lake(workspace.lake), 0, NOW, set()).machine_days
    empty_inbox(workspace)
    day = next(workspace.lake.glob("rolled/*/*.parquet"))
    path = workspace.lake / kind / day.parent.name / day.name
    before = path.read_bytes()
    harm(path)
    with pytest.raises(DamagedError) if harm is not flip else nullcontext():
        ingest(workspace)
    outcome = repair_workspace(workspace, QUIET, NOW, accept_loss=False)
    assert [s.code for s in outcome.done] == ["expired_day.made_again"]
    assert path.read_bytes() == before
    assert_same(whole.tables, {**whole.tables, **every_table(workspace)})


def test_a_damaged_file_met_in_binning_stops_the_run(copied: Workspace):
    flip(telemetry(copied))
    with Warehouse(copied.warehouse) as warehouse:
        warehouse.replace("binned_day", warehouse.table("binned_day").clear())
    with pytest.raises(DamagedError, match="taretrace repair"):
        stages.bin_telemetry(copied, QUIET)


def test_an_upgraded_workspace_has_its_telemetry_recorded(copied: Workspace):
    with Warehouse(copied.warehouse) as warehouse:
        before = warehouse.table("lake_file").filter(kind="telemetry")
        warehouse.replace("lake_file", before.clear())
    ingest(copied)
    with Warehouse(copied.warehouse) as warehouse:
        assert warehouse.table("lake_file").filter(kind="telemetry").sort("path").equals(before.sort("path"))
