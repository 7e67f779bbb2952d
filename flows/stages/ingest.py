"""Ingest stages: new files, bins, retention."""

import datetime as dt
from dataclasses import dataclass
from itertools import chain

import polars as pl

from flows.runtime.progress import Reporter
from flows.stages.context import open_warehouse
from transforms.config.workspace import Workspace
from transforms.errors import WorkspaceError
from transforms.ingest.failed_read import failed_reads, forget_rejections
from transforms.ingest.inbox import scan_inbox
from transforms.ingest.ingest_file import IngestedFile, IngestTarget, preview_ingest
from transforms.ingest.isolated_read import IsolatedRead, release_reader, wait_for_orphans
from transforms.ingest.kept_copies import UNPACKED, due_copies, keep_mappings, keep_received, receive_copies
from transforms.ingest.mapping import Mapping, read_mappings
from transforms.ingest.parallel_read import ingest_files
from transforms.ingest.pending import drop_remapped, known_files, pending_files, record_earlier_dates, record_inbox
from transforms.ingest.received_copies import ReceivedCopies
from transforms.operations.ready import ready_lake, tidy
from transforms.parallel import Executor, serial
from transforms.storage.lake import Lake
from transforms.storage.warehouse import Warehouse


def _mappings(workspace: Workspace) -> list[Mapping]:
    mappings = read_mappings(workspace.mappings, workspace.season.catalogue)
    if not mappings:
        raise WorkspaceError(
            "there is no mapping",
            where=str(workspace.mappings),
            remedy="run 'taretrace map FILE' on one file of each kind of export",
        )
    return mappings


def receive_files(workspace: Workspace, reporter: Reporter, spread: Executor = serial) -> list[IngestedFile]:
    """Take in every new file of the inbox, and again those whose mapping has changed or whose reader failed once."""
    catalogue, mappings, lake = workspace.season.catalogue, _mappings(workspace), Lake(workspace.lake)
    place, copies, now = workspace.season.place, ReceivedCopies(workspace.received), dt.datetime.now(dt.UTC)
    wait_for_orphans(workspace.root)
    tidy(workspace)
    with open_warehouse(workspace) as warehouse:
        ready_lake(warehouse, lake)
        before = known_files(warehouse)
        inbox = scan_inbox(workspace.inbox, before)
        record_inbox(inbox, before, warehouse)
        for name, why in inbox.left:
            reporter.say(f"Left alone: {name}: {why}")
        changed = drop_remapped(inbox, mappings, warehouse, lake, copies.readable())
        if changed.again:
            reporter.say(f"{len(changed.again)} files are read again: their mapping has changed")
        if changed.stuck:
            reporter.say(
                f"{len(changed.stuck)} files have a changed mapping, but neither they nor a copy are there: "
                f"put them into the inbox again, such as {changed.stuck[0][1]}"
            )
        if again := forget_rejections(inbox, warehouse):
            reporter.say(f"{again} files are read again: reading them failed before")
        files, old, store = (
            pending_files(inbox, warehouse),
            due_copies(copies, inbox, warehouse),
            IngestTarget(warehouse, lake),
        )
        read = IsolatedRead(workspace.root)
        with reporter.stage(f"Reading {len(files) + len(old)} new files", len(files) + len(old)) as advance:
            out = []
            unpacked = workspace.root / UNPACKED
            each = chain(
                ingest_files(files, mappings, catalogue, store, spread, read),
                receive_copies(old, copies, unpacked, mappings, catalogue, store, spread, read),
            )
            for found, received in each:
                if received is None:
                    reporter.say(f"Left for the next run: {found.file} changed while it was read")
                else:
                    out.append(received)
                    _tell_failure(received, reporter)
                advance()
        with reporter.stage("Keeping copies of received files"):
            kept = keep_received(inbox, warehouse, copies, place.keep_received_days, now)
            if place.keep_received_days:
                keep_mappings(mappings, workspace.mappings, copies)
        if kept.left:
            reporter.say(f"The disk is nearly full: {len(kept.left)} received files are not copied")
        record_earlier_dates(chain(inbox.found, *(c.as_found() for c in copies.index().values())), mappings, warehouse)
    if files or old:
        release_reader()
    return out


def _tell_failure(received: IngestedFile, reporter: Reporter) -> None:
    """Show and log that a file's reader failed."""
    code = received.failure_code or ("system_error" if received.failed else "")
    if not code:
        return
    more = f" ({received.failed})" if received.failed else ""
    reporter.say(f"Not read, {code}{more}: {received.file}; the next run tries once more, all others go on")
    if reporter.log is not None:
        reporter.log(stage="failed read", file=received.file, reason_code=code)


@dataclass(frozen=True)
class Examined:
    """What would become of the files that are due.

    Attributes:
        received: their counts.
        rejected: their rejected rows.
        left: (name, why) of what is not read.
        failed: files whose reader failed in earlier runs.
    """

    received: list[IngestedFile]
    rejected: pl.DataFrame
    left: list[tuple[str, str]]
    failed: pl.DataFrame


def examine_files(workspace: Workspace, reporter: Reporter) -> Examined:
    """Read every file due as `receive_files` would and store nothing."""
    catalogue, mappings, lake = workspace.season.catalogue, _mappings(workspace), Lake(workspace.lake)
    with Warehouse.to_look_at(workspace.warehouse) as warehouse:
        inbox = scan_inbox(workspace.inbox, known_files(warehouse))
        files, store = pending_files(inbox, warehouse), IngestTarget(warehouse, lake)
        with reporter.stage(f"Looking at {len(files)} new files", len(files)) as advance:
            out = []
            for found in files:
                out.append(preview_ingest(found, mappings, catalogue, store, IsolatedRead()))
                advance()
        rejected = pl.concat([warehouse.table("rejected_row").clear(), *(rows for _, rows in out)])
        failed = failed_reads(warehouse)
    return Examined([received for received, _ in out], rejected, inbox.left, failed)
