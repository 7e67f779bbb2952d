"""Repair of a workspace, in order of dependency between its parts."""

import datetime as dt
from collections.abc import Callable

from transforms.config.workspace import Workspace
from transforms.ingest.inbox import KnownFiles, scan_inbox
from transforms.ingest.ingest_file import IngestTarget
from transforms.ingest.mapping import Mapping
from transforms.ingest.mapping_file import read_mappings
from transforms.ingest.pending import known_files
from transforms.ingest.received_copies import ReceivedCopies
from transforms.operations.ready import holds_data, remove_unfinished_files
from transforms.operations.repair.files_repair import put_back_needed, repair_copies, repair_logs, restore_mappings
from transforms.operations.repair.lake_repair import LakeRepair
from transforms.operations.repair.outcome import Outcome
from transforms.operations.repair.sources import Sources
from transforms.operations.repair.warehouse_repair import is_warehouse_whole, rebuild_warehouse
from transforms.storage.lake import Lake
from transforms.storage.lake_record import record_unrecorded_telemetry
from transforms.storage.warehouse import Warehouse


def repair(workspace: Workspace, now: dt.datetime, advance: Callable[[], None], *, accept_loss: bool) -> Outcome:
    """Repair a workspace that no other run uses; leave undamaged data unchanged.

    Args:
        workspace: the workspace.
        now: the current time, UTC.
        advance: called for each file checked.
        accept_loss: continue without data that no source can rebuild.
    """
    outcome, lake, copies = Outcome(), Lake(workspace.lake), ReceivedCopies(workspace.received)
    remove_unfinished_files(workspace)
    repair_logs(workspace, now, outcome)
    if not is_warehouse_whole(workspace.warehouse):
        if not workspace.warehouse.exists() and not holds_data(workspace):
            return outcome
        files = [c.file for c in copies.index().values()]
        put_back_needed(workspace, files, _mappings(workspace), copies, outcome)
        sources = _sources(workspace, copies, {})
        if not rebuild_warehouse(sources, lake, now, outcome, advance, accept_loss=accept_loss):
            return outcome
    with Warehouse(workspace.warehouse) as warehouse:
        taken = warehouse.table("source_file")
        restore_mappings(workspace, taken, _mappings(workspace), copies, outcome)
        repair_copies(workspace, copies, taken, outcome)
        if lake.is_marker_damaged():
            outcome.add("lake.note_removed", ["taking"])
        lake.remove_orphans(IngestTarget(warehouse, lake).recorded)
        record_unrecorded_telemetry(warehouse, lake)
        sources = _sources(workspace, copies, known_files(warehouse))
        LakeRepair(warehouse, lake, sources, now).run(outcome, advance, accept_loss=accept_loss)
    return outcome


def _mappings(workspace: Workspace) -> list[Mapping]:
    return read_mappings(workspace.mappings, workspace.season.catalogue)


def _sources(workspace: Workspace, copies: ReceivedCopies, known: KnownFiles) -> Sources:
    return Sources(workspace, scan_inbox(workspace.inbox, known), _mappings(workspace), copies)
