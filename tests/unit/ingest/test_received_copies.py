"""Copies of received files: stored compressed and private, read again after a mapping changed, kept for a time."""

import datetime as dt
import json
import shutil
import stat
from pathlib import Path

import polars as pl
import pytest

from flows import stages
from tests.support.program import taretrace_here
from tests.support.task_data import Moment, Value, write_set
from tests.validation.seasons import QUIET
from transforms.config.workspace import Workspace, init_workspace
from transforms.ingest.inbox import scan_inbox
from transforms.ingest.received_copies import ReceivedCopies, _compress, _decompress
from transforms.operations.health import check_workspace
from transforms.storage.lake import Lake, read_frame
from transforms.storage.warehouse import Warehouse

NOW = dt.datetime.now(dt.UTC)
LOGS = """
kind = "telemetry"
files = ["log*.csv"]
time_zone = "UTC"
[columns.machine_id]
from = "m"
[columns.logged_at]
from = "t"
format = "%Y-%m-%dT%H:%M:%S"
[columns.share_depth_cm]
from = "d"
unit = "cm"
"""
TASKS = """
kind = "telemetry"
files = ["*"]
form = "iso11783"
time_zone = "UTC"
[columns.machine_id]
value = "M2"
for_all_files = true
"""


def log(first: int, last: int) -> str:
    return "m,t,d\n" + "".join(f"M1,2025-10-01T08:{s // 60:02d}:{s % 60:02d},7\n" for s in range(first, last))


@pytest.fixture
def made(tmp_path) -> Workspace:
    workspace = init_workspace(tmp_path / "w")
    (workspace.mappings / "logs.toml").write_text(LOGS)
    (workspace.inbox / "log_1.csv").write_text(log(0, 300))
    (workspace.inbox / "log_2.csv").write_text(log(200, 500))
    stages.receive_files(workspace, QUIET)
    return workspace


def empty_inbox(workspace: Workspace) -> None:
    shutil.rmtree(workspace.inbox)
    workspace.inbox.mkdir()


def depths(workspace: Workspace) -> list[float]:
    """Every depth on the lake that counts."""
    with Warehouse(workspace.warehouse) as warehouse:
        recorded = {s[:16] for s in warehouse.table("source_file")["source_sha256"]}
    days = Lake(workspace.lake).machine_days(recorded)
    return [d for paths in days.values() for p in paths for d in read_frame(p)["share_depth_cm"]]


def test_a_copy_is_compressed_private_and_the_file_itself(made):
    copies = ReceivedCopies(made.received)
    found = {f.sha: f for f in scan_inbox(made.inbox, {}).found}
    index = copies.index()
    assert found.keys() == index.keys()
    for path in made.received.rglob("*"):
        assert not stat.S_IMODE(path.stat().st_mode) & 0o077
    for sha, copy in index.items():
        assert copies.path_of(copy).stat().st_size < found[sha].size / 3
        with copies.unpacked([copy], made.root / "unpacked") as (again,):
            assert again.path.read_bytes() == found[sha].path.read_bytes()
            assert (again.file, again.sha, again.changed_ns) == (found[sha].file, sha, found[sha].changed_ns)
            assert again.is_unchanged()


def test_a_mapping_corrected_after_its_files_left_the_inbox_reads_them_again(made):
    assert depths(made) == [7.0] * 500
    empty_inbox(made)
    (made.mappings / "logs.toml").write_text(LOGS.replace('"cm"', '"mm"'))
    again = stages.receive_files(made, QUIET)
    assert sorted(r.file for r in again) == ["log_1.csv", "log_2.csv"]
    assert depths(made) == pytest.approx([0.7] * 500)
    assert stages.receive_files(made, QUIET) == []


def test_a_mapping_replaced_by_one_of_another_name_reads_its_files_again(made):
    empty_inbox(made)
    (made.mappings / "logs.toml").unlink()
    (made.mappings / "other.toml").write_text(LOGS.replace('"cm"', '"mm"'))
    stages.receive_files(made, QUIET)
    assert depths(made) == pytest.approx([0.7] * 500)


def test_without_a_copy_a_changed_mapping_is_reported_and_nothing_is_dropped(made):
    empty_inbox(made)
    shutil.rmtree(made.received)
    (made.mappings / "logs.toml").write_text(LOGS.replace('"cm"', '"mm"'))
    for _ in range(2):
        assert stages.receive_files(made, QUIET) == []
    assert depths(made) == [7.0] * 500
    with Warehouse(made.warehouse) as warehouse:
        assert warehouse.table("source_finding").height == 2
    (finding,) = [f for f in check_workspace(made, NOW) if f.code == "mapping.changed"]
    assert finding.state == "wrong"


def test_a_run_cut_off_between_forgetting_and_reading_again_is_completed(made, monkeypatch):
    empty_inbox(made)
    (made.mappings / "logs.toml").write_text(LOGS.replace('"cm"', '"mm"'))

    def dies(*_args, **_kwargs):
        raise KeyboardInterrupt

    monkeypatch.setattr("flows.stages.ingest.ingest_copies", dies)
    with pytest.raises(KeyboardInterrupt):
        stages.receive_files(made, QUIET)
    monkeypatch.undo()
    stages.receive_files(made, QUIET)
    assert depths(made) == pytest.approx([0.7] * 500)


def test_a_folder_of_task_data_is_copied_as_an_archive_and_read_again(tmp_path):
    made = init_workspace(tmp_path / "w")
    (made.mappings / "tasks.toml").write_text(TASKS)
    moments = [
        Moment(dt.datetime(2025, 10, 1, 8, 0, s), {"A": 501_000_000, "B": 152_000_000}, {0: 70 + s})  # noqa: DTZ001
        for s in range(50)
    ]
    write_set(made.inbox / "set", moments, [Value(52)])
    stages.receive_files(made, QUIET)
    (copy,) = ReceivedCopies(made.received).index().values()
    assert copy.form == "tar.zst"
    with Warehouse(made.warehouse) as warehouse:
        before = warehouse.table("source_file").drop("received_at", "mapping_fingerprint", "matched_fingerprint")
    assert before["rows_accepted"].sum() == 50
    empty_inbox(made)
    (made.mappings / "tasks.toml").write_text(TASKS.replace('"M2"', '"M3"'))
    (again,) = stages.receive_files(made, QUIET)
    assert again.rows_accepted == 50
    with Warehouse(made.warehouse) as warehouse:
        assert (
            warehouse.table("source_file")
            .drop("received_at", "mapping_fingerprint", "matched_fingerprint")
            .equals(before)
        )
    assert {p.parent.parent.name for p in made.lake.glob("telemetry/*/*/*.parquet")} == {"M3"}


def test_what_is_compressed_already_is_stored_as_it_is(tmp_path):
    made = init_workspace(tmp_path / "w")
    (made.mappings / "logs.toml").write_text(LOGS)
    pl.DataFrame({"a": [1]}).write_parquet(made.inbox / "other.parquet")
    stages.receive_files(made, QUIET)
    (copy,) = ReceivedCopies(made.received).index().values()
    assert copy.form == "raw"
    assert ReceivedCopies(made.received).path_of(copy).read_bytes() == (made.inbox / "other.parquet").read_bytes()


def keep_days(workspace: Workspace, days: int) -> Workspace:
    toml = workspace.root / "season.toml"
    toml.write_text(toml.read_text().replace("# keep_received_days = 400", f"keep_received_days = {days}"))
    return Workspace(workspace.root)


def test_copies_expire_and_stay_on_record(made):
    workspace = keep_days(made, 30)
    copies = ReceivedCopies(workspace.received)
    for path in workspace.received.glob("??/*.json"):
        table = json.loads(path.read_text())
        path.write_text(json.dumps({**table, "received_at": (NOW - dt.timedelta(days=31)).isoformat()}))
    empty_inbox(workspace)
    stages.receive_files(workspace, QUIET)
    assert {c.form for c in copies.index().values()} == {""}
    assert not list(workspace.received.glob("??/*.zst"))
    assert "received.gone" in {f.code for f in check_workspace(workspace, NOW)}


def test_no_copies_are_kept_where_none_are_wanted(tmp_path):
    workspace = keep_days(init_workspace(tmp_path / "w"), 0)
    (workspace.mappings / "logs.toml").write_text(LOGS)
    (workspace.inbox / "log_1.csv").write_text(log(0, 300))
    stages.receive_files(workspace, QUIET)
    assert not list(workspace.received.glob("*/*.zst"))
    assert not list(workspace.received.glob("mappings/*"))


def test_copies_give_way_to_intake_on_a_nearly_full_disk(tmp_path, monkeypatch):
    workspace = init_workspace(tmp_path / "w")
    (workspace.mappings / "logs.toml").write_text(LOGS)
    (workspace.inbox / "log_1.csv").write_text(log(0, 300))
    usage = shutil.disk_usage(tmp_path)._replace(free=100_000_000)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage)
    (received,) = stages.receive_files(workspace, QUIET)
    assert received.rows_accepted == 300
    assert not list(workspace.received.glob("*/*.zst"))
    monkeypatch.undo()
    stages.receive_files(workspace, QUIET)
    assert list(workspace.received.glob("*/*.zst"))


def test_a_backup_holds_the_copies_unless_told_otherwise(made, tmp_path):
    for words, held in (((), 2), (("--no-received",), 0)):
        target = tmp_path / f"b{held}.tar"
        assert taretrace_here("backup", made.root, "--to", target, "--json", *words).code == 0
        assert taretrace_here("restore", target, tmp_path / f"back{held}", "--json").code == 0
        assert len(list(Path(tmp_path / f"back{held}" / "received").glob("??/*.zst"))) == held


@pytest.mark.parametrize("content", [b"", b"a;b", b"row;of;a;file\r\n" * 50], ids=["empty", "one frame", "many frames"])
def test_frames_that_were_compressed_side_by_side_are_read_as_one_file(tmp_path, monkeypatch, content):
    monkeypatch.setattr("transforms.ingest.received_copies.FRAME_BYTES", 64)
    original, packed, back = (tmp_path / name for name in ("original", "packed", "back"))
    original.write_bytes(content)
    with packed.open("wb") as into:
        _compress(original, into)
    with packed.open("rb") as file:
        _decompress(file, back, is_folder=False)
    assert back.read_bytes() == content
