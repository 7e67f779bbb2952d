"""Repair of a workspace: damaged parts first, then every stage up to the joined tables."""

import datetime as dt
from pathlib import Path

from flows import stages
from flows.runtime.local_pool import helpers
from flows.runtime.progress import Reporter
from transforms.config.workspace import Workspace
from transforms.operations.repair.outcome import Outcome
from transforms.operations.repair.repair import repair
from transforms.storage.warehouse import Warehouse

MESSAGES = {
    "telemetry.renamed": "telemetry files were renamed back to their recorded names",
    "telemetry.read_again": "telemetry files were read again from their sources",
    "telemetry.source_read_again": "telemetry files were dropped and their sources were read again completely",
    "expired_day.made_again": "files of machine-days with expired records were rebuilt from their sources",
    "bins.made_again": "bin files were rebuilt from telemetry",
    "lake.given_up": "files of the lake were abandoned",
    "lake.note_removed": "damaged in-progress markers of an interrupted run were removed",
    "lake.no_source": "files of the lake cannot be rebuilt: no source is left",
    "warehouse.rebuilt": "warehouse was rebuilt; the damaged one was set aside",
    "warehouse.given_up": "received files were abandoned",
    "warehouse.no_source": "received files are needed to rebuild the warehouse but are neither in the inbox nor copied",
    "mapping.put_back": "mappings were restored to their last used version",
    "copy.dropped": "damaged copies of received files were dropped; files still in the inbox are copied again",
    "copy.described_again": "damaged records of copies were written again",
    "log.cleaned": "damaged logs were set aside; their readable lines are kept",
}
"""Code of a repair step -> its message after the count."""


def repair_workspace(workspace: Workspace, reporter: Reporter, now: dt.datetime, *, accept_loss: bool) -> Outcome:
    """Repair damaged parts and, if there were any, rebuild every table up to the joined ones."""
    with reporter.stage("Comparing the workspace with its records and repairing it") as advance:
        outcome = repair(workspace, now, advance, accept_loss=accept_loss)
    if not outcome.done or outcome.lost:
        return outcome
    with helpers(workspace) as executor:
        stages.receive_files(workspace, reporter, executor)
        stages.bin_telemetry(workspace, reporter, executor)
        stages.trace_loads(workspace, reporter, executor)
    with Warehouse.open_read_only(workspace.warehouse) as warehouse:
        is_empty = not warehouse.table("source_file").height
    for stage in () if is_empty else (stages.compute_conditions, stages.build_marts, stages.assess_storability):
        stage(workspace, reporter)
    return outcome


def describe_repair(outcome: Outcome, folder: Path) -> list[str]:
    """Return the steps of a repair, one line each."""
    steps = [*outcome.done, *outcome.lost]
    if not steps:
        return [f"Nothing in {folder.resolve()} needs repair."]
    lines = [f"{step.count} {MESSAGES[step.code]}, such as {step.example}" for step in steps]
    return lines if outcome.lost else [*lines, f"Next: taretrace post-shift {folder}"]
