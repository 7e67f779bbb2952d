"""Maintenance of a workspace: doctor, backup and restore, retention, permissions."""

import datetime as dt
import json
import os
import shutil
import stat
import tarfile
from pathlib import Path

import polars as pl
import pytest

from flows import stages
from flows.pipeline.demo import write_demo
from tests.support.program import taretrace, taretrace_here
from tests.support.workspace_tables import assert_same, every_table
from tests.validation.seasons import QUIET, ingest
from transforms.config.workspace import Workspace, init_workspace
from transforms.operations.health import check_workspace
from transforms.operations.lineage import explain_load
from transforms.storage.lake import Lake
from transforms.storage.lock import OWNER, lock_workspace, locked_file
from transforms.storage.run_log import RunLog
from transforms.storage.warehouse import Warehouse

NOW = dt.datetime.now(dt.UTC)


def states(workspace: Workspace) -> dict[str, str]:
    """Return the worst state found by each check."""
    worst = {"fine": 0, "note": 1, "wrong": 2}
    out: dict[str, str] = {}
    for f in check_workspace(workspace, dt.datetime.now(dt.UTC)):
        if worst[f.state] >= worst[out.get(f.check, "fine")]:
            out[f.check] = f.state
        assert f.remedy or f.state != "wrong"
    return out


def test_an_intact_workspace_has_no_findings(harmed):
    assert set(states(harmed).values()) == {"fine"}
    ran = taretrace_here("doctor", harmed.root, "--json")
    assert ran.code == 0, ran.out
    assert json.loads(ran.out)["wrong"] == 0


@pytest.mark.parametrize(
    ("harm", "check", "remedy"),
    [
        (lambda w: w.root.chmod(0o755), "permissions", "chmod go-rwx"),
        (lambda w: shutil.rmtree(w.mappings), "folders", "taretrace init"),
        (lambda w: (w.root / "season.toml").write_text("[season]\nunits = 'ells'"), "season.toml, mappings", "metric"),
        (lambda w: os.utime(next(w.inbox.glob("*.csv")), (4e9, 4e9)), "clock", "clock"),
        (lambda w: RunLog(w.log, clock=lambda: NOW + dt.timedelta(days=2)).write("a", "ended"), "clock", "clock"),
        (lambda w: shutil.rmtree(w.lake / "telemetry"), "lake", "taretrace repair"),
        (lambda w: w.warehouse.write_bytes(b"no warehouse at all"), "warehouse", "taretrace repair"),
    ],
)
def test_a_problem_is_found_with_its_remedy(harmed, harm, check, remedy):
    harm(harmed)
    ran = taretrace_here("doctor", harmed.root, "--json")
    assert ran.code == 2
    result = json.loads(ran.out)
    (found,) = [f for f in result["findings"] if f["state"] == "wrong" and f["check"] == check]
    assert remedy in found["remedy"]
    assert result["wrong"] >= 1


def test_a_full_disk_is_found(harmed, monkeypatch):
    usage = shutil.disk_usage(harmed.root)._replace(free=10_000_000)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage)
    assert states(harmed)["disk"] == "wrong"


def test_the_lock_of_a_dead_run_is_distinguished_from_an_active_lock(harmed):
    (harmed.root / OWNER).write_text('{"command": "ingest", "process": 1, "since": "long ago"}', "utf-8")
    assert next(f.says.code for f in check_workspace(harmed, NOW) if f.check == "locks") == "run_died"
    with lock_workspace(harmed.root, "ingest"):
        assert next(f.says.code for f in check_workspace(harmed, NOW) if f.check == "locks") == "run_is_using"


def test_rows_that_break_a_check_are_found(harmed):
    with Warehouse(harmed.warehouse) as warehouse:
        rows = warehouse.table("load_trace")
        warehouse.replace("load_trace", rows.filter(pl.col("load_id") != rows["load_id"][0]))
    assert states(harmed)["warehouse"] == "wrong"


def test_prefects_home_and_a_configured_server(harmed, monkeypatch):
    home = harmed.home
    home.mkdir()
    (home / "prefect.db").write_bytes(b"this is no database" * 100)
    result = json.loads(taretrace_here("doctor", harmed.root, "--json").out)["findings"]
    (found,) = (f for f in result if f["check"] == "Prefect")
    assert (found["state"], "rm -r" in found["remedy"]) == ("wrong", True)
    monkeypatch.setenv("PREFECT_API_URL", "http://127.0.0.1:9/api")
    result = json.loads(taretrace_here("doctor", harmed.root, "--json").out)["findings"]
    assert next(f for f in result if f["check"] == "Prefect")["says"].startswith("no server answers")


def test_a_backup_contains_everything_and_restores_it_byte_for_byte(harmed, tmp_path):
    made = taretrace_here("backup", harmed.root, "--to", tmp_path / "b.tar", "--json")
    assert made.code == 0, made.err
    back = tmp_path / "back"
    ran = taretrace_here("restore", tmp_path / "b.tar", back, "--json")
    assert ran.code == 0, ran.err
    here = {p.relative_to(harmed.root): p.read_bytes() for p in harmed.root.rglob("*") if p.is_file()}
    there = {p.relative_to(back): p.read_bytes() for p in back.rglob("*") if p.is_file()}
    assert here.keys() - there.keys() <= {Path(".held")}
    assert all(there[name] == here[name] for name in there)
    assert stat.S_IMODE(back.stat().st_mode) == 0o700
    assert stat.S_IMODE((tmp_path / "b.tar").stat().st_mode) == 0o600


def test_a_damaged_backup_is_refused_before_anything_is_written(harmed, tmp_path):
    taretrace_here("backup", harmed.root, "--to", tmp_path / "b.tar", "--json")
    body = bytearray((tmp_path / "b.tar").read_bytes())
    body[len(body) // 2] ^= 1
    (tmp_path / "bit.tar").write_bytes(body)
    (tmp_path / "cut.tar").write_bytes(bytes(body[: len(body) // 3]))
    for name in ("bit.tar", "cut.tar"):
        ran = taretrace_here("restore", tmp_path / name, tmp_path / "back", "--json")
        assert ran.code == 2
        assert "use an older backup" in ran.err
        assert not (tmp_path / "back").exists()
        assert taretrace_here("restore", tmp_path / name, "--check").code == 2
    assert taretrace_here("restore", tmp_path / "b.tar", "--check").code == 0


def test_an_interrupted_restore_can_be_repeated_and_a_workspace_is_never_overwritten(harmed, tmp_path, monkeypatch):
    taretrace_here("backup", harmed.root, "--to", tmp_path / "b.tar", "--json")
    back, extract, done = tmp_path / "back", tarfile.TarFile.extract, []

    def dies(tar: tarfile.TarFile, member: tarfile.TarInfo, *args, **kwargs):
        done.append(member)
        if len(done) == 5:
            raise KeyboardInterrupt
        return extract(tar, member, *args, **kwargs)

    monkeypatch.setattr(tarfile.TarFile, "extract", dies)
    assert taretrace_here("restore", tmp_path / "b.tar", back, "--json").code == 130
    monkeypatch.undo()
    (back / "season.toml").write_bytes((harmed.root / "season.toml").read_bytes())
    assert "restore" in taretrace_here("ingest", back, "--json").err
    assert taretrace_here("doctor", back, "--json").code == 2
    ran = taretrace_here("restore", tmp_path / "b.tar", back, "--json")
    assert ran.code == 0, ran.err
    assert_same(every_table(harmed), every_table(Workspace(back)))
    assert taretrace_here("restore", tmp_path / "b.tar", back, "--json").code == 2
    assert_same(every_table(harmed), every_table(Workspace(back)))


def test_a_restore_does_not_touch_foreign_files(harmed, tmp_path):
    taretrace_here("backup", harmed.root, "--to", tmp_path / "b.tar", "--json")
    back = tmp_path / "back"
    back.mkdir()
    (back / ".restoring").write_text("[]")
    (back / "notes.txt").write_text("mine")
    assert taretrace_here("restore", tmp_path / "b.tar", back, "--json").code == 2
    assert [p.name for p in back.iterdir() if p.name != ".restoring"] == ["notes.txt"]


def test_a_backup_removes_files_of_a_killed_backup_but_not_of_a_running_one(harmed, tmp_path):
    left, other = tmp_path / ".a.tar.backup.partial", tmp_path / ".c.tar.backup.partial"
    left.write_bytes(b"half")
    other.write_bytes(b"half")
    with locked_file(other.with_name(f"{other.name}.lock")):
        assert taretrace_here("backup", harmed.root, "--to", tmp_path / "b.tar", "--json").code == 0
        assert other.exists()
    assert not left.exists()
    assert {p.name for p in tmp_path.glob(".*")} == {other.name, f"{other.name}.lock"}


def test_a_run_removes_unfinished_files(harmed):
    left = [
        harmed.out / "shift.partial",
        harmed.out / "a" / "x.partial.xlsx",
        harmed.lake / "bin" / ".d.partial",
        harmed.root / ".warehouse.rebuilt.partial",
        harmed.received / ".x.zst.partial",
    ]
    for path in left:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"half")
    stages.receive_files(harmed, QUIET)
    assert not [p for p in left if p.exists()]


def test_a_crafted_backup_writes_nothing_outside_the_folder(tmp_path):
    evil = tmp_path / "evil.tar"
    (tmp_path / "x").write_text("harm")
    (tmp_path / "manifest.json").write_text("{}")
    with tarfile.open(evil, "w") as tar:
        tar.add(tmp_path / "x", arcname="../escaped")
        tar.add(tmp_path / "manifest.json", arcname="manifest.json")
    assert taretrace_here("restore", evil, tmp_path / "back", "--json").code == 2
    assert not (tmp_path / "escaped").exists()


@pytest.mark.slow
def test_only_this_user_can_read_the_files_of_a_run(tmp_path):
    folder = tmp_path / "season"
    assert taretrace("init", folder, "--json").code == 0
    assert taretrace("ingest", folder, "--json").code == 2  # no mapping yet
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    made = [p for p in folder.rglob("*") if p.is_file() or p.is_dir()]
    assert made
    assert not [p for p in made if stat.S_IMODE(p.stat().st_mode) & 0o077]


@pytest.fixture(scope="module")
def three_days(tmp_path_factory) -> Workspace:
    """Three ingested days, of which the first expires if one is kept."""
    workspace = write_demo(tmp_path_factory.mktemp("days") / "w", machines=2, days=3, seed=3, hz=0.02, reporter=QUIET)
    ingest(workspace)
    return workspace


@pytest.fixture
def aging(three_days: Workspace, tmp_path) -> Workspace:
    """A copy of the three days that a test may change."""
    return Workspace(Path(shutil.copytree(three_days.root, tmp_path / "w")))


def keep_one_day(workspace: Workspace) -> Workspace:
    toml = workspace.root / "season.toml"
    toml.write_text(toml.read_text().replace("# keep_telemetry_days = 90", "keep_telemetry_days = 1"))
    return Workspace(workspace.root)


def test_expired_records_are_deleted_and_every_table_is_unchanged(aging):
    before = every_table(aging)
    size = sum(p.stat().st_size for p in aging.lake.glob("telemetry/*/*/*.parquet"))
    workspace = keep_one_day(aging)
    expired = stages.delete_expired_records(workspace, QUIET)
    assert expired.machine_days > 0
    assert expired.size + sum(p.stat().st_size for p in aging.lake.glob("telemetry/*/*/*.parquet")) == size
    ingest(workspace)
    assert_same(before, every_table(workspace))
    assert states(workspace)["lake"] == "fine"
    assert stages.delete_expired_records(workspace, QUIET).machine_days == 0


def test_a_load_is_still_explained_down_to_its_lines_after_its_records_expired(aging):
    with Warehouse.open_read_only(aging.warehouse) as warehouse:
        facts = warehouse.table("load_fact").sort("lifted_at")
        load = facts.filter(pl.col("trace_quality") > 0.5)["load_id"][0]
        before = explain_load(load, warehouse, Lake(aging.lake)).minutes
    stages.delete_expired_records(keep_one_day(aging), QUIET)
    with Warehouse.open_read_only(aging.warehouse) as warehouse:
        assert warehouse.table("rolled_day").height
        after = explain_load(load, warehouse, Lake(aging.lake)).minutes
    assert after.select("machine_id", "file", "share").equals(before.select("machine_id", "file", "share"))
    assert after["records"].sum() >= before["records"].sum() > 0


def test_a_late_row_for_an_expired_day_is_rejected_with_a_reason_and_changes_no_bin(aging):
    workspace = keep_one_day(aging)
    stages.delete_expired_records(workspace, QUIET)
    bins = every_table(workspace)["bin"]
    log = min(p for p in workspace.inbox.iterdir() if "log" in p.name or "machine" in p.name)
    lines = log.read_bytes().splitlines(keepends=True)
    (workspace.inbox / f"{log.stem}-part{log.suffix}").write_bytes(b"".join(lines[:-5]))
    ingest(workspace)
    with Warehouse.open_read_only(workspace.warehouse) as warehouse:
        rules = set(warehouse.table("rejected_row").filter(pl.col("file").str.contains("-part"))["rule"])
        taken = warehouse.table("source_file").filter(pl.col("file").str.contains("-part"))
    assert taken.height == 1
    assert "rolled_up" in rules
    assert every_table(workspace)["bin"].equals(bins)


@pytest.mark.slow
def test_a_crash_during_expiry_loses_nothing(aging, monkeypatch):
    before = every_table(aging)
    workspace, unlink, gone = keep_one_day(aging), Path.unlink, []

    def dies(path: Path, *args, **kwargs):
        if "telemetry" in path.parts:
            gone.append(path)
            if len(gone) == 2:
                raise KeyboardInterrupt
        unlink(path, *args, **kwargs)

    monkeypatch.setattr(Path, "unlink", dies)
    with pytest.raises(KeyboardInterrupt):
        stages.delete_expired_records(workspace, QUIET)
    monkeypatch.undo()
    ingest(workspace)
    stages.delete_expired_records(workspace, QUIET)
    ingest(workspace)
    assert_same(before, every_table(workspace))
    with Warehouse.open_read_only(workspace.warehouse) as warehouse:
        keys = warehouse.table("rolled_day").select("machine", "day")
    assert keys.height == keys.unique().height


def test_an_empty_workspace_has_notes_and_nothing_wrong(tmp_path):
    found = states(init_workspace(tmp_path / "new"))
    assert "wrong" not in found.values()
    assert found["warehouse"] == found["mappings"] == "note"
