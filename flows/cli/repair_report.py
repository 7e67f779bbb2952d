"""Repair of a workspace: damaged parts first, then every stage up to the joined tables."""

import datetime as dt
from pathlib import Path

from flows import stages
from flows.runtime.local_pool import helpers
from flows.runtime.progress import Reporter
from reports.language.translate import mark, mark_n, say, say_text
from transforms.config.workspace import Workspace
from transforms.operations.repair.outcome import Outcome
from transforms.operations.repair.repair import repair
from transforms.storage.warehouse import Warehouse

MESSAGES = {
    "telemetry.renamed": mark_n(
        "{n} telemetry file was renamed back to its recorded name: {example}",
        "{n} telemetry files were renamed back to their recorded names, such as {example}",
    ),
    "telemetry.read_again": mark_n(
        "{n} telemetry file was read again from its source: {example}",
        "{n} telemetry files were read again from their sources, such as {example}",
    ),
    "telemetry.source_read_again": mark_n(
        "{n} telemetry file was dropped and its source was read again completely: {example}",
        "{n} telemetry files were dropped and their sources were read again completely, such as {example}",
    ),
    "expired_day.made_again": mark_n(
        "{n} file of machine-days with expired records was rebuilt from its sources: {example}",
        "{n} files of machine-days with expired records were rebuilt from their sources, such as {example}",
    ),
    "bins.made_again": mark_n(
        "{n} bin file was rebuilt from telemetry: {example}",
        "{n} bin files were rebuilt from telemetry, such as {example}",
    ),
    "lake.given_up": mark_n(
        "{n} file of the lake was abandoned: {example}",
        "{n} files of the lake were abandoned, such as {example}",
    ),
    "lake.note_removed": mark_n(
        "{n} damaged in-progress marker of an interrupted run was removed: {example}",
        "{n} damaged in-progress markers of an interrupted run were removed, such as {example}",
    ),
    "lake.no_source": mark_n(
        "{n} file of the lake cannot be rebuilt, because no source is left: {example}",
        "{n} files of the lake cannot be rebuilt, because no source is left, such as {example}",
    ),
    "warehouse.rebuilt": mark_n(
        "the warehouse was rebuilt; the damaged one was set aside as {example}",
        "{n} warehouses were rebuilt; the damaged ones were set aside, such as {example}",
    ),
    "warehouse.given_up": mark_n(
        "{n} received file was abandoned: {example}",
        "{n} received files were abandoned, such as {example}",
    ),
    "warehouse.no_source": mark_n(
        "{n} received file is needed to rebuild the warehouse but is neither in the inbox nor copied: {example}",
        "{n} received files are needed to rebuild the warehouse but are neither in the inbox nor copied, such as "
        "{example}",
    ),
    "mapping.put_back": mark_n(
        "{n} mapping was restored to its last used version: {example}",
        "{n} mappings were restored to their last used version, such as {example}",
    ),
    "copy.dropped": mark_n(
        "{n} damaged copy of a received file was dropped; if the file is still in the inbox, it is copied again: "
        "{example}",
        "{n} damaged copies of received files were dropped; files still in the inbox are copied again, such as "
        "{example}",
    ),
    "copy.described_again": mark_n(
        "{n} damaged record of a copy was written again: {example}",
        "{n} damaged records of copies were written again, such as {example}",
    ),
    "log.cleaned": mark_n(
        "{n} damaged log was set aside; its readable lines are kept: {example}",
        "{n} damaged logs were set aside; their readable lines are kept, such as {example}",
    ),
}
"""Code of a repair step -> its message."""


def repair_workspace(workspace: Workspace, reporter: Reporter, now: dt.datetime, *, accept_loss: bool) -> Outcome:
    """Repair damaged parts and, if there were any, rebuild every table up to the joined ones."""
    with reporter.stage(mark("Comparing the workspace with its records and repairing it")) as advance:
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
        return [say("Nothing in {folder} needs repair.", folder=folder.resolve())]
    lines = [say_text(MESSAGES[step.code], n=step.count, example=step.example) for step in steps]
    return lines if outcome.lost else [*lines, say("Next: taretrace post-shift {folder}", folder=folder)]
