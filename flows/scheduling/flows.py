"""Prefect flows that a schedule or a worker starts by name, each for one workspace folder.

An internal error, a wrong workspace or a full disk fails the run. A data issue completes it under that state name,
because tables and pages are written. Each run stores an artifact with one row per received file and links to the pages.
"""

import datetime as dt
import os
from pathlib import Path
from typing import Any

from prefect import flow
from prefect.artifacts import create_table_artifact
from prefect.runtime import flow_run
from prefect.states import Completed, Failed

from flows.runtime.language import workspace_language
from flows.scheduling.run import ENDED_WELL, RunOutcome, received_file_rows, run_scheduled
from flows.scheduling.schedule import COMPARE, POST_SHIFT, REFIT, SEASON_END, last_due_time
from reports.language.reason_text import format_reason
from transforms.config.workspace import Workspace

BY_SCHEDULE = "auto-scheduled"
"""Tag that Prefect gives to runs created by a schedule."""
CATCH_UP = "catch-up"


def _describe(ended: RunOutcome, workspace: Workspace) -> str:
    pages = [f"[{p.name}]({p.resolve().as_uri()})" for p in ended.done.pages[:20]]
    alarms = [f"- {format_reason(a.why, workspace.season.catalogue)}" for a in ended.alarms]
    return "\n".join([f"**{ended.name}**: {ended.says}", "", *alarms, "", " · ".join(pages)])


def _run_job(job: str, folder: str) -> Any:
    os.umask(0o077)  # files contain growers' data: only this user may read them
    workspace = Workspace(Path(folder))
    ended = run_scheduled(job, workspace, _find_due_time(job, workspace))
    with workspace_language(workspace.root):
        description = _describe(ended, workspace)
    create_table_artifact(key=job, table=received_file_rows(ended), description=description)
    make_state = Completed if ended.name in ENDED_WELL else Failed
    return make_state(name=ended.name, message=ended.says)


def _find_due_time(job: str, workspace: Workspace) -> dt.datetime | None:
    """Return the time when the run was due; None if a person started it, which runs regardless of earlier runs."""
    tags = flow_run.tags or []
    if BY_SCHEDULE in tags:
        due: dt.datetime = flow_run.scheduled_start_time
        return due
    return last_due_time(job, workspace.season, dt.datetime.now(dt.UTC)) if CATCH_UP in tags else None


@flow(name=POST_SHIFT, persist_result=False)
def post_shift(workspace: str) -> Any:
    """Ingest new files and write the shift page."""
    return _run_job(POST_SHIFT, workspace)


@flow(name=REFIT, persist_result=False)
def nightly_refit(workspace: str) -> Any:
    """Refit everything from raw rows."""
    return _run_job(REFIT, workspace)


@flow(name=COMPARE, persist_result=False)
def weekly_benchmark(workspace: str) -> Any:
    """Write the fleet page and the grower sheets."""
    return _run_job(COMPARE, workspace)


@flow(name=SEASON_END, persist_result=False)
def season_end(workspace: str) -> Any:
    """Write every page of the season."""
    return _run_job(SEASON_END, workspace)


FLOWS = {POST_SHIFT: post_shift, REFIT: nightly_refit, COMPARE: weekly_benchmark, SEASON_END: season_end}
