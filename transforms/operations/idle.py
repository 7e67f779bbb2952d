"""Test for new input of a run: files to read, files to read again, copies to make, and damaged bins."""

import datetime as dt
from pathlib import Path

from transforms.config.workspace import Workspace
from transforms.ingest.failed_read import sources_to_retry
from transforms.ingest.inbox import scan_inbox
from transforms.ingest.kept_copies import find_pending_copies, plan_copies
from transforms.ingest.mapping_file import read_mappings
from transforms.ingest.pending import changed_files, known_files, pending_files
from transforms.ingest.received_copies import ReceivedCopies
from transforms.operations.ready import require_workspace
from transforms.operations.stage_record import StageRecord
from transforms.storage.lake import IN_PROGRESS, Lake
from transforms.storage.lake_record import compare_lake
from transforms.storage.warehouse import Warehouse


def has_new_input(workspace: Workspace, warehouse: Warehouse) -> bool:
    """Return True if reading the inbox would change anything; nothing is changed by the test itself.

    An unreadable lake, or one with unrecorded or damaged files, counts as new input: the run reports or repairs it.
    """
    season = workspace.season
    mappings = read_mappings(workspace.mappings, season.catalogue)
    if not mappings or (workspace.lake / IN_PROGRESS).exists():
        return True
    inbox = scan_inbox(workspace.inbox, known_files(warehouse))
    if pending_files(inbox, warehouse) or sources_to_retry(warehouse):
        return True
    copies = ReceivedCopies(workspace.received)
    readable = {f.sha for f in inbox.found} | copies.readable()
    if changed_files(mappings, warehouse.table("source_file"), readable).again:
        return True
    if find_pending_copies(copies, inbox, warehouse):
        return True
    if not plan_copies(inbox, warehouse, copies, season.place.keep_received_days, dt.datetime.now(dt.UTC)).is_empty:
        return True
    lake = compare_lake(warehouse, Lake(workspace.lake))
    return bool(lake.damaged or lake.unknown)


def stored_files(workspace: Workspace, stages: list[tuple[str, str]]) -> dict[str, tuple[Path, ...]] | None:
    """Return the files that each stage of a run has written, if the run has nothing to do; None if it has.

    Args:
        workspace: the workspace.
        stages: (stage, variant) of the run after reading.
    """
    if not workspace.warehouse.exists():
        return None
    require_workspace(workspace)
    with Warehouse(workspace.warehouse) as warehouse:
        # The cheaper test is first: with new files, the engine should start early.
        if not warehouse.table("stage_run").height or has_new_input(workspace, warehouse):
            return None
        record = StageRecord(workspace)
        out: dict[str, tuple[Path, ...]] = {}
        for stage, variant in stages:
            current = record.current(warehouse, stage, variant)
            if current is None:
                return None
            out[stage] = current.files
        return out
