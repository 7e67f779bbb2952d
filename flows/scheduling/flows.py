"""The flows that a schedule or a worker starts, by name; each takes the workspace's folder and ends in a telling state.

A fault of ours, a wrong workspace or a full disk fails the run. Trouble with data completes it under that name, for the
pages are written and the tables stand. Each leaves an artifact: a row a file received, and links to the pages.
"""

import datetime as dt
import os
from pathlib import Path
from typing import Any

from prefect import flow
from prefect.artifacts import create_table_artifact
from prefect.runtime import flow_run
from prefect.states import Completed, Failed

from flows.scheduling.run import ENDED_WELL, RunOutcome, run_scheduled, table_of
from flows.scheduling.schedule import COMPARE, POST_SHIFT, REFIT, SEASON_END, due_before
from transforms.config.workspace import Workspace

BY_SCHEDULE = "auto-scheduled"
"""Prefect's own tag of runs that a schedule made."""
CATCH_UP = "catch-up"


def _described(ended: RunOutcome) -> str:
    pages = [f"[{p.name}]({p.resolve().as_uri()})" for p in ended.done.pages[:20]]
    alarms = [f"- {a.says}" for a in ended.alarms]
    return "\n".join([f"**{ended.name}**: {ended.says}", "", *alarms, "", " · ".join(pages)])


def _run(job: str, folder: str) -> Any:
    os.umask(0o077)  # what is written tells of growers: for this user alone
    workspace = Workspace(Path(folder))
    ended = run_scheduled(job, workspace, _due(job, workspace))
    create_table_artifact(key=job, table=table_of(ended), description=_described(ended))
    made = Completed if ended.name in ENDED_WELL else Failed
    return made(name=ended.name, message=ended.says)


def _due(job: str, workspace: Workspace) -> dt.datetime | None:
    """When the run was due; None for one that a person starts, which runs whatever was done before."""
    tags = flow_run.tags or []
    if BY_SCHEDULE in tags:
        due: dt.datetime = flow_run.scheduled_start_time
        return due
    return due_before(job, workspace.season, dt.datetime.now(dt.UTC)) if CATCH_UP in tags else None


@flow(name=POST_SHIFT, persist_result=False)
def post_shift(workspace: str) -> Any:
    """Take in new files and write the shift page."""
    return _run(POST_SHIFT, workspace)


@flow(name=REFIT, persist_result=False)
def nightly_refit(workspace: str) -> Any:
    """Fit everything anew from the rows themselves."""
    return _run(REFIT, workspace)


@flow(name=COMPARE, persist_result=False)
def weekly_benchmark(workspace: str) -> Any:
    """Compare the fleet and write growers' sheets."""
    return _run(COMPARE, workspace)


@flow(name=SEASON_END, persist_result=False)
def season_end(workspace: str) -> Any:
    """Write every page of the season."""
    return _run(SEASON_END, workspace)


FLOWS = {POST_SHIFT: post_shift, REFIT: nightly_refit, COMPARE: weekly_benchmark, SEASON_END: season_end}
