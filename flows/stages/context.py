"""Shared context of the stages: opening the warehouse, required facts, consistency checks."""

import datetime as dt
from zoneinfo import ZoneInfo

from transforms.config.workspace import Season, Workspace
from transforms.errors import ConsistencyError, WorkspaceError
from transforms.operations.ready import require_workspace
from transforms.storage.sql_files import sql_names
from transforms.storage.warehouse import Warehouse


def open_warehouse(workspace: Workspace) -> Warehouse:
    """Open the workspace's warehouse; the season file is read first so that a wrong folder is said plainly."""
    _ = workspace.season
    require_workspace(workspace)
    return Warehouse(workspace.warehouse)


def run_checks(warehouse: Warehouse) -> None:
    """Run every check of `sql/checks/`.

    Raises:
        ConsistencyError: a check returns rows; that is an internal error, whatever the data.
    """
    for name in sql_names("checks"):
        wrong = warehouse.check(name)
        if wrong.height:
            raise ConsistencyError(name, wrong.height)


def timeline_span(shift: dt.date | None, season: Season) -> tuple[dt.datetime, dt.datetime]:
    """When a shift begins and ends, UTC; no time at all where there is none."""
    zone, day = ZoneInfo(season.time_zone), dt.timedelta(days=1)
    first = shift or dt.date(1970, 1, 2)
    begins = dt.datetime.combine(first, season.shift_starts, zone).astimezone(dt.UTC)
    ends = dt.datetime.combine(first + day, season.shift_starts, zone).astimezone(dt.UTC)
    return begins, ends if shift else begins


def require_facts(warehouse: Warehouse, workspace: Workspace, *more: str) -> None:
    """Say plainly that nothing has been ingested yet, or not by this taretrace."""
    if not all(warehouse.has(name) for name in ("load_fact", *more)):
        raise WorkspaceError(
            "nothing has been ingested yet", where=str(workspace.root), remedy="run 'taretrace ingest' on it first"
        )
