"""Health checks of stored data: warehouse, lake, copies of received files, mappings and logs."""

from collections.abc import Iterator

import polars as pl

from transforms.config.workspace import Workspace
from transforms.errors import DamagedError, LockedError, WorkspaceError
from transforms.ingest.failed_read import failed_reads
from transforms.ingest.inbox import scan_inbox
from transforms.ingest.mapping_file import read_mappings
from transforms.ingest.pending import changed_files
from transforms.ingest.received_copies import ReceivedCopies
from transforms.operations.finding import Finding
from transforms.operations.ready import RESTORING, require_workspace
from transforms.operations.repair.files_repair import find_files_without_mapping
from transforms.storage.lake import Lake
from transforms.storage.lake_record import compare_lake
from transforms.storage.run_log import RunLog
from transforms.storage.sql_files import sql_names
from transforms.storage.warehouse import Warehouse


def check_stored_data(workspace: Workspace) -> Iterator[Finding]:
    """Check all stored data; compare file contents with their checksums."""
    yield from _logs(workspace)
    try:
        require_workspace(workspace)
    except WorkspaceError as problem:
        code = "restore.unfinished" if (workspace.root / RESTORING).exists() else "warehouse.missing"
        remedy = _repair(workspace) if code == "warehouse.missing" else problem.remedy
        yield Finding("warehouse", "wrong", problem.what, remedy, code)
        return
    if not workspace.warehouse.exists():
        yield Finding(
            "warehouse", "note", "no file has been ingested yet", f"run 'taretrace post-shift {workspace.root}'"
        )
        return
    try:
        with Warehouse.open_read_only(workspace.warehouse) as warehouse:
            yield from _warehouse(warehouse)
            yield from _lookalike_ids(warehouse)
            yield from _failed_reads(warehouse)
            yield from _lake(workspace, warehouse)
            yield from _received(workspace, warehouse)
            yield from _mappings(workspace, warehouse)
    except DamagedError as problem:
        yield Finding("warehouse", "wrong", problem.what, _repair(workspace), "warehouse.damaged")
    except OSError as problem:
        yield Finding(
            "lake",
            "wrong",
            f"the lake cannot be read ({problem})",
            "mount its disk, or give this user permission to read it",
            "lake.unreadable",
        )
    except LockedError as problem:
        yield Finding("warehouse", "note", problem.what, problem.remedy, "warehouse.locked")
    except WorkspaceError as problem:
        yield Finding("warehouse", "wrong", problem.what, problem.remedy, "warehouse.closed")


def _repair(workspace: Workspace) -> str:
    return f"run 'taretrace repair {workspace.root}'"


def _warehouse(warehouse: Warehouse) -> Iterator[Finding]:
    for name in warehouse.query("own_relation").filter(kind="table")["name"].to_list():
        warehouse.table(name)  # DuckDB detects a damaged block only when it reads it
    rows = {name: warehouse.check(name).height for name in sql_names("checks") if _checkable(warehouse, name)}
    wrong = [f"{name} ({count} rows)" for name, count in rows.items() if count]
    if wrong:
        yield Finding(
            "warehouse",
            "wrong",
            f"checks fail: {', '.join(wrong)}",
            "report this; restore a backup in the meantime",
            "warehouse.check_fails",
        )
    else:
        yield Finding("warehouse", "fine", f"{warehouse.table('source_file').height} files received; all checks pass")


def _failed_reads(warehouse: Warehouse) -> Iterator[Finding]:
    """Report files whose reader failed."""
    for row in failed_reads(warehouse).iter_rows(named=True):
        if row["in_quarantine"]:
            yield Finding(
                "inbox",
                "wrong",
                f"'{row['file']}' is in quarantine: reading it failed twice ({row['reason_code']})",
                "provide the file in another format or in parts, change its mapping, or remove it from the inbox",
                "inbox.quarantine",
            )
        else:
            yield Finding(
                "inbox",
                "note",
                f"reading '{row['file']}' failed ({row['reason_code']})",
                "nothing to do: the next run retries it",
                "inbox.failed_read",
            )


def _lookalike_ids(warehouse: Warehouse) -> Iterator[Finding]:
    """Report ids that differ only in letter case, spaces or letter forms, because each counts as a separate id."""
    alike = warehouse.query("lookalike_id")
    if alike.height:
        first = alike.row(0, named=True)
        says = f"{alike.height} groups of ids look alike, such as {first['kind']} {first['written'][:200]}"
        yield Finding(
            "ids",
            "note",
            says,
            "spell each id the same way in all files; 'taretrace status' lists these groups",
            "ids.look_alike",
        )


def _checkable(warehouse: Warehouse, name: str) -> bool:
    """Return True if the check's tables exist: marts do not exist before the first run ends."""
    return warehouse.has("load_fact") or name.startswith(("rows_", "stored_"))


def _lake(workspace: Workspace, warehouse: Warehouse) -> Iterator[Finding]:
    lake = Lake(workspace.lake)
    difference = compare_lake(warehouse, lake, checksums=True)
    unrecorded = warehouse.query("unrecorded_telemetry")
    rolled = warehouse.table("rolled_day").height
    if difference.damaged and not lake.is_there():
        yield Finding(
            "lake",
            "wrong",
            f"{lake.root} is missing or empty, but {len(difference.damaged)} of its files are recorded",
            f"mount its disk, or {_repair(workspace)}",
            "lake.absent",
        )
        return
    for code, files in (("lake.file_missing", difference.missing), ("lake.file_altered", difference.altered)):
        if files:
            what = "missing" if code == "lake.file_missing" else "altered"
            yield Finding(
                "lake", "wrong", f"{len(files)} files are {what}, such as {files[0].path}", _repair(workspace), code
            )
    if lake.is_marker_damaged():
        yield Finding(
            "lake", "note", "the list of files being ingested is damaged", _repair(workspace), "lake.note_damaged"
        )
    if difference.unknown and not unrecorded.height:
        yield Finding(
            "lake",
            "note",
            f"{len(difference.unknown)} files are not recorded and not used, such as {difference.unknown[0]}",
            "nothing to do; delete them if no run wrote them",
            "lake.file_unknown",
        )
    if unrecorded.height and not rolled:
        yield from _unrecorded(workspace, warehouse, lake)
    if not difference.damaged:
        expired = f"; the records of {rolled} machine-days have expired" if rolled else ""
        yield Finding("lake", "fine", f"every recorded file is present and unaltered{expired}")


def _unrecorded(workspace: Workspace, warehouse: Warehouse, lake: Lake) -> Iterator[Finding]:
    """Check telemetry that predates the record of files."""
    sources = warehouse.query("unrecorded_telemetry")
    there = {
        p.stem[:16] for paths in lake.machine_days({s[:16] for s in sources["source_sha256"]}).values() for p in paths
    }
    lost = sources.filter(~pl.col("source_sha256").str.head(16).is_in(sorted(there)))
    if lost.height:
        yield Finding(
            "lake",
            "wrong",
            f"the records of {lost.height} files are missing, such as {lost['file'][0]}",
            _repair(workspace),
            "lake.source_gone",
        )


def _received(workspace: Workspace, warehouse: Warehouse) -> Iterator[Finding]:
    copies = ReceivedCopies(workspace.received)
    inbox = {f.sha for f in scan_inbox(workspace.inbox, {}).found} if workspace.inbox.is_dir() else set()
    index = copies.index()
    damaged = [c.file for c in index.values() if c.form and not copies.is_whole(c)]
    damaged += [p.name for p in copies.damaged_records()]
    if damaged:
        yield Finding(
            "received files",
            "wrong",
            f"{len(damaged)} copies are missing or damaged, such as {damaged[0]}",
            _repair(workspace),
            "received.damaged",
        )
    taken = dict(warehouse.table("source_file").select("source_sha256", "file").iter_rows())
    copied = {sha for sha, c in index.items() if copies.is_there(c)}
    left = [file for sha, file in taken.items() if sha not in inbox and sha in copied]
    lost = [file for sha, file in taken.items() if sha not in inbox and sha not in copied]
    if left:
        yield Finding(
            "received files",
            "note",
            f"{len(left)} received files are no longer in the inbox; their copies are kept",
            "nothing to do",
            "received.left_inbox",
        )
    if lost:
        yield Finding(
            "received files",
            "note",
            f"{len(lost)} received files are neither in the inbox nor copied, such as {lost[0]}; they cannot be reread",
            "put them back in the inbox, or restore a backup",
            "received.gone",
        )
    if not damaged and not left and not lost:
        yield Finding("received files", "fine", f"{len(taken)} files can be reread")


def _mappings(workspace: Workspace, warehouse: Warehouse) -> Iterator[Finding]:
    mappings = read_mappings(workspace.mappings, workspace.season.catalogue)
    taken = warehouse.table("source_file")
    missing = find_files_without_mapping(taken, mappings)
    if missing:
        (name, _), files = next(iter(missing.items()))
        yield Finding(
            "mappings",
            "wrong",
            f"the mapping '{name}' is missing; {len(files)} files were read with it",
            f"{_repair(workspace)} to restore it, or 'taretrace map FILE' to create another",
            "mapping.missing",
        )
    copied = ReceivedCopies(workspace.received).readable()
    inbox = {f.sha for f in scan_inbox(workspace.inbox, {}).found} if workspace.inbox.is_dir() else set()
    stuck = changed_files(mappings, taken, copied | inbox).stuck
    if stuck:
        yield Finding(
            "mappings",
            "wrong",
            f"{len(stuck)} files were read with a mapping that has changed since, "
            f"such as {stuck[0][1]}, and neither the files nor their copies exist",
            "put these files back in the inbox",
            "mapping.changed",
        )


def _logs(workspace: Workspace) -> Iterator[Finding]:
    damaged = RunLog(workspace.log).damaged()
    if damaged:
        yield Finding(
            "log",
            "note",
            f"{len(damaged)} logs have unreadable lines, such as {damaged[0].name}",
            _repair(workspace),
            "log.damaged",
        )
