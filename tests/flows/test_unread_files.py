"""Files with several kinds in a workspace, and the end of a run, which names what it could not read."""

import json
import shutil
from pathlib import Path

import polars as pl
import pytest

from flows import stages
from flows.cli.unread_lines import MAX_LINES, unread_lines
from flows.runtime.progress import Reporter
from tests.support.program import taretrace_here as taretrace
from tests.support.workbooks import write_book
from transforms.config.workspace import Workspace, init_workspace
from transforms.contracts.reason import reason
from transforms.ingest.unread import UnreadPart, find_unread
from transforms.operations.repair.repair import repair
from transforms.storage.lake import Lake
from transforms.storage.run_log import utc_now
from transforms.storage.warehouse import Warehouse

QUIET = Reporter(quiet=True)
LOGS = """
kind = "telemetry"
files = ["*.xlsx"]
sheet = "Log"
[columns.machine_id]
from = "m"
[columns.logged_at]
from = "t"
format = "%Y-%m-%dT%H:%M:%SZ"
time_zone = "UTC"
[columns.share_depth_cm]
from = "d"
unit = "cm"
"""
TARES = """
kind = "tare"
files = ["*.xlsx", "tares*.csv"]
sheet = "Lab"
[columns.sample_id]
from = "S"
[columns.load_id]
from = "L"
[columns.dirt_tare_pct]
from = "D"
unit = "pct"
"""
KEPT = ("tare", "rejected_row", "source_finding", "lake_file")


def log(first: int, last: int) -> list[list[str]]:
    return [["m", "t", "d"], *(["M1", f"2025-10-01T08:00:{s:02d}Z", "7"] for s in range(first, last))]


@pytest.fixture
def workspace(tmp_path):
    made = init_workspace(tmp_path / "w")
    (made.mappings / "logs.toml").write_text(LOGS)
    (made.mappings / "tares.toml").write_text(TARES)
    lab = [["S", "L", "D"], ["s1", "1", "6.5"], ["s2", "2", "x"]]
    write_book(made.inbox / "a.xlsx", {"Log": log(0, 30), "Lab": lab, "Notes": [["hello"]]})
    write_book(made.inbox / "b.xlsx", {"Log": log(20, 50), "Lab": lab[:2]})
    return made


def tables(made: Workspace) -> dict[str, pl.DataFrame]:
    with Warehouse(made.warehouse) as warehouse:
        for check in ("rows_accounted", "stored_rows_accounted"):
            assert not warehouse.check(check).height
        counts = warehouse.table("source_file").drop("received_at").sort("file", "mapping")
        return {"counts": counts, **{name: warehouse.table(name).sort(pl.all()) for name in KEPT}}


def same(one: dict[str, pl.DataFrame], two: dict[str, pl.DataFrame]) -> bool:
    return all(one[name].equals(two[name]) for name in one)


@pytest.mark.slow
def test_a_run_takes_both_kinds_once_and_a_repair_restores_every_part(workspace):
    received = stages.receive_files(workspace, QUIET)
    counted = {(r.file, r.kind): (r.rows_in, r.rows_accepted, r.rows_rejected, r.rows_repeated) for r in received}
    assert counted == {
        ("a.xlsx", "telemetry"): (30, 30, 0, 0),
        ("a.xlsx", "tare"): (2, 1, 1, 0),
        ("b.xlsx", "telemetry"): (30, 20, 0, 10),
        ("b.xlsx", "tare"): (1, 0, 0, 1),
    }
    before = tables(workspace)
    assert stages.receive_files(workspace, QUIET) == []
    assert same(tables(workspace), before)
    lost = sorted(Path(str(Lake(workspace.lake).root)).glob("telemetry/*/*/*.parquet"))
    for path in lost:
        path.unlink()
    repair(workspace, utc_now(), lambda: None, accept_loss=False)
    assert [p for p in lost if not p.exists()] == []
    assert same(tables(workspace), before)
    (workspace.mappings / "tares.toml").unlink()
    assert stages.receive_files(workspace, QUIET) == []
    repair(workspace, utc_now(), lambda: None, accept_loss=False)
    assert (workspace.mappings / "tares.toml").read_text() == TARES
    shutil.move(workspace.warehouse, workspace.root / "gone")
    repair(workspace, utc_now(), lambda: None, accept_loss=False)
    assert same(tables(workspace), before)


def test_a_changed_mapping_of_one_kind_reads_both_again_with_the_same_rows_of_the_other(workspace):
    stages.receive_files(workspace, QUIET)
    before = tables(workspace)
    (workspace.mappings / "tares.toml").write_text(TARES.replace('"Lab"', '"L*b"'))
    assert len(stages.receive_files(workspace, QUIET)) == 4
    after = tables(workspace)
    prints = ("mapping_fingerprint", "matched_fingerprint")
    assert after["counts"].drop(prints).equals(before["counts"].drop(prints))
    assert all(after[name].equals(before[name]) for name in KEPT)


def test_ingest_names_every_file_that_it_could_not_read(workspace):
    (workspace.inbox / "other.csv").write_text("q\n1\n")
    (workspace.inbox / "tares_1.csv").write_text("r\n1\n")
    ran = taretrace("ingest", workspace.root, "--json")
    assert ran.code == 0, ran.err
    unread = json.loads(ran.out)["unread"]
    assert [(u["file"], u["reason_code"], u["rows_rejected"]) for u in unread] == [
        ("other.csv", "no_mapping", 0),
        ("tares_1.csv", "missing_column", 0),
        ("a.xlsx", "sheet_not_read", 0),
        ("a.xlsx", "not_a_number", 1),
    ]
    assert [u["next"].split()[1] for u in unread] == ["map", "map", "map", "rejected"]
    (workspace.inbox / "other.csv").write_text("q\n2\n")
    shown = taretrace("ingest", workspace.root)
    assert "other.csv" in shown.out
    assert "tares_1.csv" not in shown.out
    codes = {f["code"] for f in json.loads(taretrace("doctor", workspace.root, "--json").out)["findings"]}
    assert {"inbox.no_mapping", "inbox.sheet_not_read"} <= codes


def test_at_most_ten_lines_name_files_and_the_last_counts_the_others(workspace):
    parts = [UnreadPart(f"{n}.csv", reason("no_mapping")) for n in range(MAX_LINES + 3)]
    lines = unread_lines(parts, workspace)
    assert len(lines) == MAX_LINES + 2
    assert "3" in lines[-1]
    assert unread_lines(parts[:MAX_LINES], workspace)[1:] == lines[1:-1]
    assert unread_lines([], workspace) == []


def test_files_whose_rows_are_rejected_for_one_reason_share_a_line(workspace):
    other = UnreadPart("b.csv", reason("no_mapping"))
    parts = [UnreadPart(f"log{i}.csv", reason("uneven_row"), rows=2) for i in range(5)]
    _, first, shared = unread_lines([other, *parts], workspace)
    assert "b.csv" in first
    assert ["log0.csv" in shared, "log2.csv" in shared, "log3.csv" in shared] == [True, True, False]
    assert "5" in shared
    assert "10" in shared


def test_a_quarantined_file_is_named_by_every_run(workspace):
    with Warehouse(workspace.warehouse) as warehouse:
        entry = {"file": "a.xlsx", "size_bytes": 1, "changed_ns": 1, "source_sha256": "a"}
        warehouse.append("inbox_file", pl.DataFrame([entry]))
        failed = {
            "source_sha256": "a",
            "file": "a.xlsx",
            "mapping_fingerprint": "p",
            "program": "v",
            "reason_code": "reader_memory",
            "failures": 2,
            "last_failed_at": utc_now(),
        }
        warehouse.append(
            "failed_read", pl.DataFrame([failed], schema_overrides={"last_failed_at": pl.Datetime("us", "UTC")})
        )
        (part,) = find_unread([], warehouse)
    assert (part.file, part.why.code) == ("a.xlsx", "read_failed_twice")
