"""Repair of a workspace, in the order that each part rests on the one before."""

import datetime as dt
from collections.abc import Callable

from transforms.intake.due import remembered
from transforms.intake.inbox import Remembered, look
from transforms.intake.mapping import Mapping, read_mappings
from transforms.intake.receive import Store
from transforms.intake.received import ReceivedCopies
from transforms.lake import Lake
from transforms.lake_record import record_unrecorded_telemetry
from transforms.ready import holds_data, tidy
from transforms.repair.files_repair import put_back_needed, put_mappings_back, repair_copies, repair_logs
from transforms.repair.lake_repair import LakeRepair
from transforms.repair.outcome import Outcome
from transforms.repair.sources import Sources
from transforms.repair.warehouse_repair import is_warehouse_whole, rebuild_warehouse
from transforms.warehouse import Warehouse
from transforms.workspace import Workspace


def repair(workspace: Workspace, now: dt.datetime, advance: Callable[[], None], *, accept_loss: bool) -> Outcome:
    """Repair a workspace that no other run uses; what is whole stays as it is.

    Args:
        workspace: the workspace.
        now: the time, UTC.
        advance: called for each file that is looked at.
        accept_loss: go on without what can be rebuilt from nowhere.
    """
    outcome, lake, copies = Outcome(), Lake(workspace.lake), ReceivedCopies(workspace.received)
    tidy(workspace)
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
        put_mappings_back(workspace, taken, _mappings(workspace), copies, outcome)
        repair_copies(workspace, copies, taken, outcome)
        if lake.is_taking_damaged():
            outcome.add("lake.note_removed", ["taking"])
        lake.sweep(Store(warehouse, lake).recorded)
        record_unrecorded_telemetry(warehouse, lake)
        sources = _sources(workspace, copies, remembered(warehouse))
        LakeRepair(warehouse, lake, sources, now).run(outcome, advance, accept_loss=accept_loss)
    return outcome


def _mappings(workspace: Workspace) -> list[Mapping]:
    return read_mappings(workspace.mappings, workspace.season.catalogue)


def _sources(workspace: Workspace, copies: ReceivedCopies, known: Remembered) -> Sources:
    return Sources(workspace, look(workspace.inbox, known), _mappings(workspace), copies)
