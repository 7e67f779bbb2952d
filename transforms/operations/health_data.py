"""Health checks of stored data: warehouse, lake, copies of received files, mappings and logs."""

import json
from collections.abc import Iterator

import polars as pl

from transforms.config.workspace import Workspace
from transforms.contracts.reason import Reason, combine_reasons, reason
from transforms.errors import DamagedError, LockedError, WorkspaceError
from transforms.ingest.failed_read import failed_reads
from transforms.ingest.inbox import scan_inbox
from transforms.ingest.mapping_file import read_mappings
from transforms.ingest.pending import changed_files
from transforms.ingest.received_copies import ReceivedCopies
from transforms.ingest.unread import UNREAD_SHEET
from transforms.operations.finding import Finding, error_remedy, error_what
from transforms.operations.join_sources import find_join_findings
from transforms.operations.ready import RESTORING, require_workspace
from transforms.operations.repair.files_repair import find_files_without_mapping
from transforms.operations.sensor_questions import sensor_questions
from transforms.storage.lake import Lake
from transforms.storage.lake_record import compare_lake
from transforms.storage.run_log import RunLog
from transforms.storage.sql_files import sql_names
from transforms.storage.warehouse import Warehouse

JOINS = "joins"
"""Subject of findings on joins between sources."""


def check_stored_data(workspace: Workspace) -> Iterator[Finding]:
    """Check all stored data; compare file contents with their checksums."""
    yield from _logs(workspace)
    try:
        require_workspace(workspace)
    except WorkspaceError as problem:
        code = "restore.unfinished" if (workspace.root / RESTORING).exists() else "warehouse.missing"
        remedy = _repair(workspace) if code == "warehouse.missing" else error_remedy(problem)
        yield Finding("warehouse", "wrong", error_what(problem), remedy, code)
        return
    if not workspace.warehouse.exists():
        first_run = reason("run_post_shift", folder=str(workspace.root))
        yield Finding("warehouse", "note", reason("nothing_ingested"), first_run)
        return
    try:
        with Warehouse.open_read_only(workspace.warehouse) as warehouse:
            yield from _joins(warehouse, workspace)
            yield from _warehouse(warehouse)
            yield from _lookalike_ids(warehouse)
            yield from _sensor_questions(warehouse)
            yield from _failed_reads(warehouse)
            yield from _unread(warehouse)
            yield from _lake(workspace, warehouse)
            yield from _received(workspace, warehouse)
            yield from _mappings(workspace, warehouse)
    except DamagedError as problem:
        yield Finding("warehouse", "wrong", error_what(problem), _repair(workspace), "warehouse.damaged")
    except OSError as problem:
        fault = reason("lake_unreadable", detail=str(problem))
        yield Finding("lake", "wrong", fault, reason("mount_or_permit"), "lake.unreadable")
    except LockedError as problem:
        yield Finding("warehouse", "note", error_what(problem), error_remedy(problem), "warehouse.locked")
    except WorkspaceError as problem:
        yield Finding("warehouse", "wrong", error_what(problem), error_remedy(problem), "warehouse.closed")


def _repair(workspace: Workspace) -> Reason:
    return reason("run_repair", folder=str(workspace.root))


def _warehouse(warehouse: Warehouse) -> Iterator[Finding]:
    for name in warehouse.query("own_relation").filter(kind="table")["name"].to_list():
        warehouse.table(name)  # DuckDB detects a damaged block only when it reads it
    rows = {name: warehouse.check(name).height for name in sql_names("checks") if _checkable(warehouse, name)}
    wrong = [reason("rows_of_check", name=name, n=count) for name, count in rows.items() if count]
    if wrong:
        fault = reason("checks_fail", names=wrong)
        yield Finding("warehouse", "wrong", fault, reason("report_and_restore"), "warehouse.check_fails")
    else:
        yield Finding("warehouse", "fine", reason("files_received", n=warehouse.table("arrived_file").height))


def _joins(warehouse: Warehouse, workspace: Workspace) -> Iterator[Finding]:
    """Report rows that match nothing in other sources, and figures of two sources that differ by a unit."""
    found = find_join_findings(warehouse, workspace)
    for f in found:
        yield Finding(JOINS, "note", combine_reasons([f.says, f.cause]), f.remedy, f"joins.{f.says.code}")
    if not found:
        yield Finding(JOINS, "fine", reason("joins_fit"))


def _failed_reads(warehouse: Warehouse) -> Iterator[Finding]:
    """Report files whose reader failed."""
    for row in failed_reads(warehouse).iter_rows(named=True):
        cause = {"file": row["file"], "failure": row["reason_code"]}
        if row["in_quarantine"]:
            twice = reason("read_failed_twice", **cause)
            yield Finding("inbox", "wrong", twice, reason("send_otherwise"), "inbox.quarantine")
        else:
            once = reason("read_failed_once", **cause)
            yield Finding("inbox", "note", once, reason("next_run_retries"), "inbox.failed_read")


def _unread(warehouse: Warehouse) -> Iterator[Finding]:
    """Report files and sheets that no mapping reads."""
    unmapped = warehouse.table("source_file").filter(pl.col("mapping").is_null())["file"].sort().to_list()
    sheets = warehouse.table("source_finding").filter(reason_code=UNREAD_SHEET).sort("file", "reason_args")
    if unmapped:
        found = reason("files_without_mapping", n=len(unmapped), file=unmapped[0])
        yield Finding("inbox", "note", found, reason("map_each_kind"), "inbox.no_mapping")
    if sheets.height:
        first = sheets.row(0, named=True)
        name = json.loads(first["reason_args"])["sheet"]
        found = reason("sheets_not_read", n=sheets.height, sheet=name, file=first["file"])
        yield Finding("inbox", "note", found, reason("map_each_sheet"), "inbox.sheet_not_read")


def _lookalike_ids(warehouse: Warehouse) -> Iterator[Finding]:
    """Report ids that differ only in letter case, spaces or letter forms, because each counts as a separate id."""
    alike = warehouse.query("lookalike_id")
    if alike.height:
        first = alike.row(0, named=True)
        found = reason("ids_look_alike", n=alike.height, kind=first["kind"], written=first["written"][:200])
        yield Finding("ids", "note", found, reason("spell_ids_alike"), "ids.look_alike")


def _sensor_questions(warehouse: Warehouse) -> Iterator[Finding]:
    """Report sensors that a rule would flag on most days: their readings are used until a person decides."""
    asked = sensor_questions(warehouse)
    if asked.height:
        found = reason("sensors_flagged_on_most_days", n=asked.height, **asked.row(0, named=True))
        yield Finding("sensors", "note", found, reason("keep_or_leave_out"), "sensor.flagged_on_most_days")


def _checkable(warehouse: Warehouse, name: str) -> bool:
    """Return True if the check's tables exist: marts do not exist before the first run ends."""
    return warehouse.has("load_fact") or name.startswith(("rows_", "stored_"))


def _lake(workspace: Workspace, warehouse: Warehouse) -> Iterator[Finding]:
    lake = Lake(workspace.lake)
    difference = compare_lake(warehouse, lake, checksums=True)
    unrecorded = warehouse.query("unrecorded_telemetry")
    rolled = warehouse.table("rolled_day").height
    if difference.damaged and not lake.is_there():
        absent = reason("lake_absent", lake=str(lake.root), n=len(difference.damaged))
        remedy = reason("mount_or_repair", folder=str(workspace.root))
        yield Finding("lake", "wrong", absent, remedy, "lake.absent")
        return
    if missing := difference.missing:
        found = reason("lake_files_missing", n=len(missing), file=missing[0].path)
        yield Finding("lake", "wrong", found, _repair(workspace), "lake.file_missing")
    if altered := difference.altered:
        found = reason("lake_files_altered", n=len(altered), file=altered[0].path)
        yield Finding("lake", "wrong", found, _repair(workspace), "lake.file_altered")
    if lake.is_marker_damaged():
        yield Finding("lake", "note", reason("marker_damaged"), _repair(workspace), "lake.note_damaged")
    if difference.unknown and not unrecorded.height:
        found = reason("lake_files_unknown", n=len(difference.unknown), file=difference.unknown[0])
        yield Finding("lake", "note", found, reason("delete_unknown"), "lake.file_unknown")
    if unrecorded.height and not rolled:
        yield from _unrecorded(workspace, warehouse, lake)
    if not difference.damaged:
        yield Finding("lake", "fine", reason("lake_whole_expired", n=rolled) if rolled else reason("lake_whole"))


def _unrecorded(workspace: Workspace, warehouse: Warehouse, lake: Lake) -> Iterator[Finding]:
    """Check telemetry that predates the record of files."""
    sources = warehouse.query("unrecorded_telemetry")
    there = {
        p.stem[:16] for paths in lake.machine_days({s[:16] for s in sources["source_sha256"]}).values() for p in paths
    }
    lost = sources.filter(~pl.col("source_sha256").str.head(16).is_in(sorted(there)))
    if lost.height:
        found = reason("records_missing", n=lost.height, file=lost["file"][0])
        yield Finding("lake", "wrong", found, _repair(workspace), "lake.source_gone")


def _received(workspace: Workspace, warehouse: Warehouse) -> Iterator[Finding]:
    copies = ReceivedCopies(workspace.received)
    inbox = {f.sha for f in scan_inbox(workspace.inbox, {}).found} if workspace.inbox.is_dir() else set()
    index = copies.index()
    damaged = [c.file for c in index.values() if c.form and not copies.is_whole(c)]
    damaged += [p.name for p in copies.damaged_records()]
    if damaged:
        found = reason("copies_damaged", n=len(damaged), file=damaged[0])
        yield Finding("received files", "wrong", found, _repair(workspace), "received.damaged")
    taken = dict(warehouse.table("source_file").select("source_sha256", "file").iter_rows())
    copied = {sha for sha, c in index.items() if copies.is_there(c)}
    left = [file for sha, file in taken.items() if sha not in inbox and sha in copied]
    lost = [file for sha, file in taken.items() if sha not in inbox and sha not in copied]
    if left:
        found = reason("received_left_inbox", n=len(left))
        yield Finding("received files", "note", found, reason("nothing_to_do"), "received.left_inbox")
    if lost:
        found = reason("received_gone", n=len(lost), file=lost[0])
        yield Finding("received files", "note", found, reason("put_back_or_restore"), "received.gone")
    if not damaged and not left and not lost:
        yield Finding("received files", "fine", reason("received_whole", n=len(taken)))


def _mappings(workspace: Workspace, warehouse: Warehouse) -> Iterator[Finding]:
    mappings = read_mappings(workspace.mappings, workspace.season.catalogue)
    taken = warehouse.table("source_file")
    missing = find_files_without_mapping(taken, mappings)
    if missing:
        (name, _), files = next(iter(missing.items()))
        found = reason("mapping_missing", name=name, n=len(files))
        remedy = reason("repair_or_map", folder=str(workspace.root))
        yield Finding("mappings", "wrong", found, remedy, "mapping.missing")
    copied = ReceivedCopies(workspace.received).readable()
    inbox = {f.sha for f in scan_inbox(workspace.inbox, {}).found} if workspace.inbox.is_dir() else set()
    stuck = changed_files(mappings, taken, copied | inbox).stuck
    if stuck:
        found = reason("mapping_changed", n=len(stuck), file=stuck[0][1])
        yield Finding("mappings", "wrong", found, reason("put_back"), "mapping.changed")


def _logs(workspace: Workspace) -> Iterator[Finding]:
    damaged = RunLog(workspace.log).damaged()
    if damaged:
        found = reason("logs_damaged", n=len(damaged), file=damaged[0].name)
        yield Finding("log", "note", found, _repair(workspace), "log.damaged")
