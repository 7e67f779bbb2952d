"""Prefect flows that a schedule, a worker or a person starts by name, each for one workspace folder.

An internal error, a wrong workspace or a full disk ends a run as `Failed`. A data issue ends it as `Completed`, because
tables and pages are written. The message of the state starts with the reason. Each run emits an event named after it,
and stores an artifact with the moves, their cautions, links to the pages, and another with one row per received file.
"""

import datetime as dt
import os
from importlib.metadata import version
from typing import Any

from prefect import flow
from prefect.artifacts import create_markdown_artifact, create_table_artifact
from prefect.events import emit_event
from prefect.logging import get_run_logger
from prefect.runtime import flow_run
from prefect.states import Completed, Failed

from flows.runtime.language import workspace_language
from flows.scheduling.failure import send_failure
from flows.scheduling.flow_names import describe_state, name_run, open_workspace, resource_id
from flows.scheduling.run import ENDED_WELL, LOGGED_STATES, RunOutcome, received_file_rows, run_scheduled
from flows.scheduling.schedule import COMPARE, POST_SHIFT, REFIT, REPORT_FAILURE, SEASON_END, last_due_time
from reports.run_markdown import run_markdown
from transforms.config.workspace import Workspace
from transforms.storage.run_log import RunLog

BY_SCHEDULE = "auto-scheduled"
"""Tag that Prefect gives to runs created by a schedule."""
CATCH_UP = "catch-up"
EVENT = "taretrace.run."
"""Start of the event's name; the reason code of the run follows, as in the log."""
SHARED: dict[str, Any] = {
    "flow_run_name": name_run,
    "version": version("taretrace"),
    "persist_result": False,
    "log_prints": False,
}


def run_workspace_job(job: str, folder: str) -> Any:
    """Run a job of a workspace in the running flow and return its final state."""
    os.umask(0o077)  # files contain growers' data: only this user may read them
    workspace = open_workspace(folder)
    ended = run_scheduled(job, workspace, _find_due_time(job, workspace))
    code, message = LOGGED_STATES[ended.name], describe_state(ended)
    is_good = ended.name in ENDED_WELL
    get_run_logger().log(20 if is_good else 40, message)
    _store_artifacts(job, ended, workspace)
    emit_event(
        EVENT + code,
        {"prefect.resource.id": resource_id(workspace), "prefect.resource.name": workspace.root.name},
        payload={"job": job, "reason_code": code, "message": message, "flow_run_id": str(flow_run.id)},
    )
    return Completed(message=message) if is_good else Failed(message=message)


def _store_artifacts(job: str, ended: RunOutcome, workspace: Workspace) -> None:
    """Store the summary of a run with its moves, and the table of the files it received."""
    with workspace_language(workspace.root):
        alarms = [a.why for a in ended.alarms]
        text = run_markdown(
            workspace, f"**{ended.name}**: {ended.says}", alarms, ended.done.pages, ended.done.published
        )
    create_markdown_artifact(text, key=job, description=ended.name)
    if rows := received_file_rows(ended):
        create_table_artifact(rows, key=f"{job}-files")


def _find_due_time(job: str, workspace: Workspace) -> dt.datetime | None:
    """Return the time when the run was due; None if a person started it, which runs regardless of earlier runs."""
    tags = flow_run.tags or []
    if BY_SCHEDULE in tags:
        due: dt.datetime = flow_run.scheduled_start_time
        return due
    return last_due_time(job, workspace.season, dt.datetime.now(dt.UTC)) if CATCH_UP in tags else None


@flow(name=POST_SHIFT, **SHARED)
def post_shift(workspace: str = "") -> Any:
    """Ingest new files and write the shift page."""
    return run_workspace_job(POST_SHIFT, workspace)


@flow(name=REFIT, **SHARED)
def nightly_refit(workspace: str = "") -> Any:
    """Refit everything from raw rows."""
    return run_workspace_job(REFIT, workspace)


@flow(name=COMPARE, **SHARED)
def weekly_benchmark(workspace: str = "") -> Any:
    """Write the fleet page and the grower sheets."""
    return run_workspace_job(COMPARE, workspace)


@flow(name=SEASON_END, **SHARED)
def season_end(workspace: str = "") -> Any:
    """Write every page of the season."""
    return run_workspace_job(SEASON_END, workspace)


@flow(name=REPORT_FAILURE, **SHARED)
def report_failure(workspace: str = "", run: str = "", message: str = "") -> Any:
    """Report a failed run to the recipients of [notify]; automations start it.

    Args:
        workspace: the workspace folder.
        run: name of the failed run.
        message: message of its state.
    """
    opened = open_workspace(workspace)
    failures = send_failure(opened, run, message)
    for text in failures:
        get_run_logger().error(text)
    RunLog(opened.log).write(REPORT_FAILURE, "reported", run=run, undelivered=failures)
    return Failed(message="; ".join(failures)) if failures else Completed(message=f"reported: {run}")


FLOWS = {POST_SHIFT: post_shift, REFIT: nightly_refit, COMPARE: weekly_benchmark, SEASON_END: season_end}
"""Job -> its flow."""
