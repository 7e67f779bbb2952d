"""The repair of a workspace: the damaged parts, then every stage up to the joined tables."""

import datetime as dt
from pathlib import Path

from flows import stages
from flows.runtime.local_pool import helpers
from flows.runtime.progress import Reporter
from transforms.config.workspace import Workspace
from transforms.operations.repair.outcome import Outcome
from transforms.operations.repair.repair import repair
from transforms.storage.warehouse import Warehouse

WORDS = {
    "telemetry.renamed": "telemetry files had another name and have their own again",
    "telemetry.read_again": "telemetry files were read again from their sources",
    "telemetry.source_read_again": "telemetry files were dropped; their sources were read again as a whole",
    "expired_day.made_again": "files of machine-days without records were made again from their sources",
    "bins.made_again": "bin files were made again from telemetry",
    "lake.given_up": "files of the lake were given up",
    "lake.note_removed": "damaged notes of an interrupted run were removed",
    "lake.no_source": "files of the lake can be made again from nothing that is left",
    "warehouse.rebuilt": "warehouse was rebuilt; the damaged one was set aside",
    "warehouse.given_up": "received files were given up",
    "warehouse.no_source": "received files are needed to rebuild the warehouse and can be read from nowhere",
    "mapping.put_back": "mappings were put back as they were used last",
    "copy.dropped": "damaged copies of received files were dropped; what is in the inbox is copied again",
    "copy.described_again": "damaged records of copies were written again",
    "log.cleaned": "damaged logs were set aside; their readable lines are kept",
}
"""Code of a step -> its words."""


def repair_workspace(workspace: Workspace, reporter: Reporter, now: dt.datetime, *, accept_loss: bool) -> Outcome:
    """Repair what is damaged; if anything was, bring every table up to the joined ones up to date."""
    with reporter.stage("Comparing the workspace with its records, and repairing it") as advance:
        outcome = repair(workspace, now, advance, accept_loss=accept_loss)
    if not outcome.done or outcome.lost:
        return outcome
    with helpers(workspace) as spread:
        stages.receive_files(workspace, reporter, spread)
        stages.bin_telemetry(workspace, reporter, spread)
        stages.trace(workspace, reporter, spread)
    with Warehouse.to_look_at(workspace.warehouse) as warehouse:
        is_empty = not warehouse.table("source_file").height
    for stage in () if is_empty else (stages.conditions, stages.marts, stages.keep):
        stage(workspace, reporter)
    return outcome


def in_words(outcome: Outcome, folder: Path) -> list[str]:
    """Return what a repair did, a line a step."""
    steps = [*outcome.done, *outcome.lost]
    if not steps:
        return [f"Nothing in {folder.resolve()} needs repair."]
    lines = [f"{step.count} {WORDS[step.code]}, such as {step.example}" for step in steps]
    return lines if outcome.lost else [*lines, f"Next: taretrace post-shift {folder}"]
