"""Damage to a workspace: it is detected, no run shrinks a table because of it, and the named command repairs it."""

import datetime as dt
import shutil
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import polars as pl
import pytest

from flows.cli.repair_report import repair_workspace
from reports.language.reason_text import format_reason
from tests.support.damaged import (
    a_bin,
    a_copy,
    corrupt_page,
    empty_inbox,
    empty_lake,
    empty_mappings,
    flip,
    garbage_log,
    halve,
    other_database,
    sqlite_database,
    stale_bin,
    telemetry,
    to_folder,
)
from tests.support.workspace_tables import Whole, assert_same, every_table
from tests.validation.seasons import QUIET, ingest
from transforms.arrays import narrow
from transforms.config.workspace import Workspace
from transforms.errors import DamagedError
from transforms.operations.health import check_workspace

FROM_FILES = {
    "source_file",
    "rejected_row",
    "load",
    "tare",
    "field",
    "machine",
    "machine_day",
    "unload_event",
    "load_trace",
    "load_fact",
    "bin",
}


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
    "lake deleted": (lambda w: shutil.rmtree(narrow(w.lake, Path)), "lake.absent"),
    "lake empty": (empty_lake, "lake.absent"),
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
    "mapping missing": (lambda w: (w.mappings / "log_a.toml").unlink(), "mapping.missing"),
    "mappings missing": (empty_mappings, "mapping.missing"),
    "log garbage": (garbage_log, "log.damaged"),
    "inbox empty": (lambda _: None, "received.left_inbox"),
}
HARMLESS = {"unknown file", "taking garbage", "wal garbage", "log garbage", "inbox empty"}
KEEPS_INBOX = {"copy missing", "copy flipped", "copy's record damaged"}
QUICK = {"warehouse missing"}


def run_keeps_tables(workspace: Workspace, tables: dict[str, pl.DataFrame]) -> None:
    """Run ingest, which succeeds or stops with a sentence, and check that no readable table lost rows."""
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
def test_damage_is_found_empties_no_table_and_is_repaired(whole: Whole, harmed: Workspace, case: str):
    harm, code = CASES[case]
    if case not in KEEPS_INBOX:
        empty_inbox(harmed)
    harm(harmed)
    found = check_workspace(harmed, dt.datetime.now(dt.UTC))
    if code:
        assert code in {f.code for f in found}
    wrong = [format_reason(f.remedy) for f in found if f.state == "wrong" and f.code and f.remedy]
    assert bool(wrong) == (case not in HARMLESS)
    assert all(f"taretrace repair {harmed.root}" in remedy for remedy in wrong)
    run_keeps_tables(harmed, whole.tables)
    outcome = repair_workspace(harmed, QUIET, dt.datetime.now(dt.UTC), accept_loss=False)
    assert not outcome.lost
    assert not [f for f in check_workspace(harmed, dt.datetime.now(dt.UTC)) if f.state == "wrong"]
    assert_same(whole.tables, every_table(harmed, telemetry=True))
    assert not repair_workspace(harmed, QUIET, dt.datetime.now(dt.UTC), accept_loss=False).done
