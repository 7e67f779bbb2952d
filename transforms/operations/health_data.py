"""Checks of what a workspace stores: warehouse, lake, copies of received files, mappings, logs."""

from collections.abc import Iterator

import polars as pl

from transforms.config.workspace import Workspace
from transforms.errors import DamagedError, LockedError, WorkspaceError
from transforms.ingest.failed_read import failed_reads
from transforms.ingest.inbox import scan_inbox
from transforms.ingest.mapping import read_mappings
from transforms.ingest.pending import changed_files
from transforms.ingest.received_copies import ReceivedCopies
from transforms.operations.finding import Finding
from transforms.operations.ready import RESTORING, require_workspace
from transforms.operations.repair.files_repair import unread_files
from transforms.storage.lake import Lake
from transforms.storage.lake_record import compare_lake
from transforms.storage.run_log import RunLog
from transforms.storage.sql_files import sql_names
from transforms.storage.warehouse import Warehouse


def stored_data(workspace: Workspace) -> Iterator[Finding]:
    """Check everything stored; contents are compared with their checksums."""
    yield from _logs(workspace)
    try:
        require_workspace(workspace)
    except WorkspaceError as problem:
        code = "restore.unfinished" if (workspace.root / RESTORING).exists() else "warehouse.missing"
        remedy = _repair(workspace) if code == "warehouse.missing" else problem.remedy
        yield Finding("warehouse", "wrong", problem.what, remedy, code)
        return
    if not workspace.warehouse.exists():
        yield Finding("warehouse", "note", "nothing was ingested yet", f"run 'taretrace post-shift {workspace.root}'")
        return
    try:
        with Warehouse.to_look_at(workspace.warehouse) as held:
            yield from _warehouse(held)
            yield from _lookalike_ids(held)
            yield from _failed_reads(held)
            yield from _lake(workspace, held)
            yield from _received(workspace, held)
            yield from _mappings(workspace, held)
    except DamagedError as problem:
        yield Finding("warehouse", "wrong", problem.what, _repair(workspace), "warehouse.damaged")
    except OSError as problem:
        yield Finding(
            "lake",
            "wrong",
            f"the lake cannot be read ({problem})",
            "mount its disk again, or give this user the right to it",
            "lake.unreadable",
        )
    except LockedError as problem:
        yield Finding("warehouse", "note", problem.what, problem.remedy, "warehouse.locked")
    except WorkspaceError as problem:
        yield Finding("warehouse", "wrong", problem.what, problem.remedy, "warehouse.closed")


def _repair(workspace: Workspace) -> str:
    return f"run 'taretrace repair {workspace.root}'"


def _warehouse(held: Warehouse) -> Iterator[Finding]:
    for name in held.query("own_relation").filter(kind="table")["name"].to_list():
        held.table(name)  # a damaged block is met only when it is read
    rows = {name: held.check(name).height for name in sql_names("checks") if _checkable(held, name)}
    wrong = [f"{name} ({count} rows)" for name, count in rows.items() if count]
    if wrong:
        yield Finding(
            "warehouse",
            "wrong",
            f"checks fail: {', '.join(wrong)}",
            "report it; restore a backup meanwhile",
            "warehouse.check_fails",
        )
    else:
        yield Finding("warehouse", "fine", f"{held.table('source_file').height} files received; every check holds")


def _failed_reads(held: Warehouse) -> Iterator[Finding]:
    """Report files whose reader failed."""
    for row in failed_reads(held).iter_rows(named=True):
        if row["in_quarantine"]:
            yield Finding(
                "inbox",
                "wrong",
                f"'{row['file']}' is in quarantine: reading it failed twice ({row['reason_code']})",
                "send it in another form or in parts, or change its mapping; or take it out of the inbox",
                "inbox.quarantine",
            )
        else:
            yield Finding(
                "inbox",
                "note",
                f"reading '{row['file']}' failed ({row['reason_code']})",
                "the next run reads it once more",
                "inbox.failed_read",
            )


def _lookalike_ids(held: Warehouse) -> Iterator[Finding]:
    """Report ids that differ in letter case, spaces or the form of letters alone: each counts as a thing of its own."""
    alike = held.query("lookalike_id")
    if alike.height:
        first = alike.row(0, named=True)
        says = f"{alike.height} groups of ids look alike, such as {first['kind']} {first['written'][:200]}"
        yield Finding(
            "ids", "note", says, "write each id in one way in the files; 'taretrace status' lists all", "ids.look_alike"
        )


def _checkable(held: Warehouse, name: str) -> bool:
    """Some checks are of marts, which are not there before the first run ends."""
    return held.has("load_fact") or name.startswith(("rows_", "stored_"))


def _lake(workspace: Workspace, held: Warehouse) -> Iterator[Finding]:
    lake = Lake(workspace.lake)
    difference = compare_lake(held, lake, checksums=True)
    unrecorded = held.query("unrecorded_telemetry")
    rolled = held.table("rolled_day").height
    if difference.damaged and not lake.is_there():
        yield Finding(
            "lake",
            "wrong",
            f"{lake.root} is missing or empty, but {len(difference.damaged)} of its files are recorded",
            f"mount its disk again, or {_repair(workspace)}",
            "lake.absent",
        )
        return
    for code, files in (("lake.file_missing", difference.missing), ("lake.file_altered", difference.altered)):
        if files:
            what = "missing" if code == "lake.file_missing" else "not as they were written"
            yield Finding(
                "lake", "wrong", f"{len(files)} files are {what}, such as {files[0].path}", _repair(workspace), code
            )
    if lake.is_taking_damaged():
        yield Finding(
            "lake", "note", "the note of files being taken in is damaged", _repair(workspace), "lake.note_damaged"
        )
    if difference.unknown and not unrecorded.height:
        yield Finding(
            "lake",
            "note",
            f"{len(difference.unknown)} files are not recorded and not used, such as {difference.unknown[0]}",
            "nothing to do; remove them if no run put them there",
            "lake.file_unknown",
        )
    if unrecorded.height and not rolled:
        yield from _unrecorded(workspace, held, lake)
    if not difference.damaged:
        expired = f"; the records of {rolled} machine-days are rolled up" if rolled else ""
        yield Finding("lake", "fine", f"every recorded file is there as it was written{expired}")


def _unrecorded(workspace: Workspace, held: Warehouse, lake: Lake) -> Iterator[Finding]:
    """Check telemetry from before files were recorded."""
    sources = held.query("unrecorded_telemetry")
    there = {
        p.stem[:16] for paths in lake.machine_days({s[:16] for s in sources["source_sha256"]}).values() for p in paths
    }
    gone = sources.filter(~pl.col("source_sha256").str.head(16).is_in(sorted(there)))
    if gone.height:
        yield Finding(
            "lake",
            "wrong",
            f"the records of {gone.height} files are gone, such as {gone['file'][0]}",
            _repair(workspace),
            "lake.source_gone",
        )


def _received(workspace: Workspace, held: Warehouse) -> Iterator[Finding]:
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
    taken = dict(held.table("source_file").select("source_sha256", "file").iter_rows())
    copied = {sha for sha, c in index.items() if copies.is_there(c)}
    left = [file for sha, file in taken.items() if sha not in inbox and sha in copied]
    gone = [file for sha, file in taken.items() if sha not in inbox and sha not in copied]
    if left:
        yield Finding(
            "received files",
            "note",
            f"{len(left)} received files have left the inbox; copies are kept",
            "nothing to do",
            "received.left_inbox",
        )
    if gone:
        yield Finding(
            "received files",
            "note",
            f"{len(gone)} received files are neither in the inbox nor copied, such "
            f"as {gone[0]}; they cannot be read again",
            "put them into the inbox again, or restore a backup",
            "received.gone",
        )
    if not damaged and not left and not gone:
        yield Finding("received files", "fine", f"{len(taken)} files can be read again")


def _mappings(workspace: Workspace, held: Warehouse) -> Iterator[Finding]:
    mappings = read_mappings(workspace.mappings, workspace.season.catalogue)
    taken = held.table("source_file")
    missing = unread_files(taken, mappings)
    if missing:
        (name, _), files = next(iter(missing.items()))
        yield Finding(
            "mappings",
            "wrong",
            f"the mapping '{name}' is missing; {len(files)} files were read through it",
            f"{_repair(workspace)} to put it back, or 'taretrace map FILE' for another",
            "mapping.missing",
        )
    copied = ReceivedCopies(workspace.received).readable()
    inbox = {f.sha for f in scan_inbox(workspace.inbox, {}).found} if workspace.inbox.is_dir() else set()
    stuck = changed_files(mappings, taken, copied | inbox).stuck
    if stuck:
        yield Finding(
            "mappings",
            "wrong",
            f"{len(stuck)} files were read through a mapping that has changed since, "
            f"such as {stuck[0][1]}, and neither they nor copies are there",
            "put these files into the inbox again",
            "mapping.changed",
        )


def _logs(workspace: Workspace) -> Iterator[Finding]:
    damaged = RunLog(workspace.log).damaged()
    if damaged:
        yield Finding(
            "log",
            "note",
            f"{len(damaged)} logs have lines that cannot be read, such as {damaged[0].name}",
            _repair(workspace),
            "log.damaged",
        )
