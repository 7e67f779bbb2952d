"""Names of deployments, runs and events in Prefect."""

import datetime as dt
import hashlib
import os
from contextlib import suppress
from pathlib import Path
from zoneinfo import ZoneInfo

from prefect.runtime import flow_run

from flows.scheduling.run import COMPLETED, RunOutcome
from reports.language.bidi import without_isolates
from transforms.config.workspace import Season, Workspace
from transforms.errors import WorkspaceError

TAG = "taretrace"
FOLDER = "TARETRACE_WORKSPACE"
"""Environment variable with the workspace of runs whose deployment names none."""


def open_workspace(folder: str) -> Workspace:
    """Return the workspace of a run: the named folder, else that of `TARETRACE_WORKSPACE`, else the current one.

    A deployment that was made without the variable keeps the name of the variable in braces.
    """
    named = "" if "{{" in folder else folder
    return Workspace(Path(named or os.environ.get(FOLDER) or "."))


def deployment_name(workspace: Workspace) -> str:
    """Return the deployment name of a workspace: its folder name and a hash of its path.

    The hash keeps workspaces with equal folder names apart on a shared server.
    """
    root = workspace.root.resolve()
    return f"{root.name}-{hashlib.sha256(str(root).encode()).hexdigest()[:8]}"


def resource_id(workspace: Workspace) -> str:
    """Return the id of a workspace in events."""
    return f"{TAG}.workspace.{deployment_name(workspace)}"


def ended_shift(season: Season, now: dt.datetime) -> dt.date:
    """Return the date of the last shift that had ended at `now`; a shift lasts 24 hours from `shift_starts`."""
    local = now.astimezone(ZoneInfo(season.time_zone))
    return local.date() - dt.timedelta(days=1 if local.time() >= season.shift_starts else 2)


def name_run() -> str:
    """Return the name of the running flow: season and last ended shift; the flow's name if there is no season."""
    with suppress(WorkspaceError, OSError):
        season = open_workspace(flow_run.parameters.get("workspace", "")).season
        due = flow_run.scheduled_start_time or dt.datetime.now(dt.UTC)
        return f"{season.name} {ended_shift(season, due)}"
    return str(flow_run.flow_name)


def describe_state(ended: RunOutcome) -> str:
    """Return the message of a run's final state: its reason, unless all is well, and one sentence."""
    says = without_isolates(ended.says)
    return says if ended.name == COMPLETED else f"{ended.name}: {says}"
