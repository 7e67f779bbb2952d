"""Ingest stages: reading new files, and the preview of that reading."""

import datetime as dt
from dataclasses import dataclass
from itertools import chain

import polars as pl

from flows.runtime.progress import Reporter
from flows.stages.context import open_warehouse
from reports.language.reason_messages.failed_reads import failed_read_words
from reports.language.reason_text import format_reason
from reports.language.translate import mark, mark_n, say, say_n
from transforms.config.workspace import Workspace
from transforms.contracts.reason import Reason
from transforms.errors import DamagedError, WorkspaceError
from transforms.ingest.failed_read import failed_reads, forget_rejections
from transforms.ingest.inbox import Inbox, scan_inbox
from transforms.ingest.ingest_file import IngestedFile, IngestTarget, preview_ingest
from transforms.ingest.isolated_read import IsolatedRead, prepare_reader, release_reader, wait_for_orphans
from transforms.ingest.kept_copies import (
    MAPPINGS,
    UNPACKED,
    copy_received,
    find_pending_copies,
    ingest_copies,
    keep_mappings,
)
from transforms.ingest.mapping import Mapping
from transforms.ingest.mapping_file import read_mappings
from transforms.ingest.parallel_read import ingest_files
from transforms.ingest.pending import (
    Changed,
    delete_remapped,
    known_files,
    pending_files,
    record_earlier_dates,
    record_inbox,
)
from transforms.ingest.received_copies import ReceivedCopies
from transforms.joins.join_finding import JoinFinding
from transforms.operations.join_sources import JoinPreview, find_join_findings
from transforms.operations.ready import prepare_lake, remove_unfinished_files
from transforms.parallel import Executor, serial
from transforms.storage.lake import Lake
from transforms.storage.warehouse import Warehouse

READING = mark_n("Reading {n} new file", "Reading {n} new files")
CHECKING = mark_n("Checking {n} new file", "Checking {n} new files")


def _load_mappings(workspace: Workspace, reporter: Reporter) -> list[Mapping]:
    """Return the mappings, and report columns that they call by an earlier name."""
    mappings = read_mappings(workspace.mappings, workspace.season.catalogue)
    if not mappings and any((workspace.received / MAPPINGS).glob("*.toml")):
        raise DamagedError(
            "all mappings of this workspace are missing",
            where=str(workspace.mappings),
            remedy="run 'taretrace repair' on the workspace",
        )
    if not mappings:
        raise WorkspaceError(
            "there is no mapping",
            where=str(workspace.mappings),
            remedy="run 'taretrace map FILE' on one file of each kind of export",
        )
    for mapping in mappings:
        _report_renamed(mapping, reporter)
    return mappings


def _report_renamed(mapping: Mapping, reporter: Reporter) -> None:
    if mapping.renamed:
        names = ", ".join(say("'{earlier}' is now called '{name}'", earlier=a, name=b) for a, b in mapping.renamed)
        reporter.line(
            say("Mapping '{mapping}': {names}; the earlier names are read too", mapping=mapping.name, names=names)
        )


def _report_inbox(inbox: Inbox, changed: Changed, again: int, reporter: Reporter) -> None:
    """Report files that are skipped, and those that are read again."""
    for name, reason in inbox.left:
        reporter.line(say("Skipped: {name}: {reason}", name=name, reason=format_reason(reason)))
    if changed.again:
        reporter.line(
            say_n(
                "Reading {n} file again: its mapping has changed",
                "Reading {n} files again: their mapping has changed",
                len(changed.again),
            )
        )
    if changed.stuck:
        reporter.line(
            say_n(
                "{n} file has a changed mapping but is neither in the inbox nor copied: copy it into the inbox "
                "again: {example}",
                "{n} files have a changed mapping but are neither in the inbox nor copied: copy them into the "
                "inbox again, for example {example}",
                len(changed.stuck),
                example=changed.stuck[0][1],
            )
        )
    if again:
        reporter.line(
            say_n(
                "Reading {n} file again: the first attempt failed",
                "Reading {n} files again: the first attempt failed",
                again,
            )
        )


def receive_files(workspace: Workspace, reporter: Reporter, executor: Executor = serial) -> list[IngestedFile]:
    """Ingest every new file of the inbox, and again files whose mapping changed or whose reader failed once."""
    catalogue, mappings, lake = workspace.season.catalogue, _load_mappings(workspace, reporter), Lake(workspace.lake)
    place, copies, now = workspace.season.place, ReceivedCopies(workspace.received), dt.datetime.now(dt.UTC)
    wait_for_orphans(workspace.root)
    remove_unfinished_files(workspace)
    with open_warehouse(workspace) as warehouse:
        prepare_lake(warehouse, lake)
        known = known_files(warehouse)
        inbox = scan_inbox(workspace.inbox, known, prepare_reader)
        record_inbox(inbox, known, warehouse)
        changed = delete_remapped(inbox, mappings, warehouse, lake, copies.readable())
        _report_inbox(inbox, changed, forget_rejections(inbox, warehouse), reporter)
        files, copied, target = (
            pending_files(inbox, warehouse),
            find_pending_copies(copies, inbox, warehouse),
            IngestTarget(warehouse, lake),
        )
        read = IsolatedRead(workspace.root)
        with reporter.stage(READING, len(files) + len(copied)) as advance:
            out = []
            unpacked = workspace.root / UNPACKED
            results = chain(
                ingest_files(files, mappings, catalogue, target, executor, read),
                ingest_copies(copied, copies, unpacked, mappings, catalogue, target, executor, read),
            )
            for found, received in results:
                if received is None:
                    reporter.line(say("Left for the next run: {file} changed while it was being read", file=found.file))
                else:
                    out.extend(received)
                    for part in received:
                        _report_failure(part, reporter)
                advance()
        with reporter.stage(mark("Storing copies of received files")):
            copying = copy_received(inbox, warehouse, copies, place.keep_received_days, now)
            if place.keep_received_days:
                keep_mappings(mappings, workspace.mappings, copies)
        if copying.left:
            reporter.line(
                say_n(
                    "The disk is nearly full: {n} received file was not copied",
                    "The disk is nearly full: {n} received files were not copied",
                    len(copying.left),
                )
            )
        record_earlier_dates(chain(inbox.found, *(c.as_found() for c in copies.index().values())), mappings, warehouse)
    if files or copied:
        release_reader()
    return out


def _report_failure(received: IngestedFile, reporter: Reporter) -> None:
    """Show and log that the reader of a file failed, if it did."""
    code = received.failure_code or ("system_error" if received.failed else None)
    if code is None:
        return
    detail = f" ({received.failed})" if received.failed else ""
    reporter.line(
        say(
            "Not read: {file}: {cause}; the next run tries once more, all other files continue",
            file=received.file,
            cause=f"{failed_read_words(code)}{detail}",
        )
    )
    if reporter.log is not None:
        reporter.log(stage="failed read", file=received.file, reason_code=code)


@dataclass(frozen=True)
class Examined:
    """Preview of the ingest of the pending files.

    Attributes:
        received: row counts of each file and mapping.
        rejected: rejected rows.
        left: (name, reason) of each file that is not read.
        failed: files whose reader failed in earlier runs.
        joins: findings on the joins of these files and all stored ones.
    """

    received: list[IngestedFile]
    rejected: pl.DataFrame
    left: list[tuple[str, Reason]]
    failed: pl.DataFrame
    joins: list[JoinFinding]


def examine_files(workspace: Workspace, reporter: Reporter) -> Examined:
    """Read every pending file as `receive_files` would, without storing anything."""
    catalogue, mappings, lake = workspace.season.catalogue, _load_mappings(workspace, reporter), Lake(workspace.lake)
    with Warehouse.open_read_only(workspace.warehouse) as warehouse:
        inbox = scan_inbox(workspace.inbox, known_files(warehouse))
        files, target = pending_files(inbox, warehouse), IngestTarget(warehouse, lake)
        joined = JoinPreview(warehouse)
        with reporter.stage(CHECKING, len(files)) as advance:
            out = []
            for found in files:
                out.append(preview_ingest(found, mappings, catalogue, target, IsolatedRead(), joined.add))
                advance()
        rejected = pl.concat([warehouse.table("rejected_row").clear(), *(rows for _, rows in out)])
        failed = failed_reads(warehouse)
    joins = find_join_findings(joined.warehouse, workspace)
    return Examined([part for received, _ in out for part in received], rejected, inbox.left, failed, joins)


def monitor_joins(workspace: Workspace) -> list[JoinFinding]:
    """Return the findings on the joins of the stored rows."""
    with Warehouse.open_read_only(workspace.warehouse) as warehouse:
        return find_join_findings(warehouse, workspace)
