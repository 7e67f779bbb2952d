"""Shared context of the stages: opening the warehouse, required facts, consistency checks."""

import datetime as dt
from dataclasses import replace
from zoneinfo import ZoneInfo

from transforms.advice.severe_damage import counted_damage_prices
from transforms.config.workspace import Season, Workspace
from transforms.errors import ConsistencyError, WorkspaceError
from transforms.operations.ready import require_workspace
from transforms.storage.sql_files import sql_names
from transforms.storage.warehouse import Warehouse


def open_warehouse(workspace: Workspace) -> Warehouse:
    """Open the warehouse of a workspace; reading the season file first gives a clear error for a wrong folder.

    Raises:
        WorkspaceError: the folder is not a workspace, or its restore is unfinished.
        DamagedError: the warehouse is missing or damaged.
    """
    _ = workspace.season
    require_workspace(workspace)
    return Warehouse(workspace.warehouse, threads=workspace.season.place.threads)


def priced_season(warehouse: Warehouse, season: Season) -> Season:
    """Return the season with the price of damaged skin that follows from the severe damage counted in root checks.

    Args:
        warehouse: the warehouse, for the root checks.
        season: settings of the season.
    """
    if not warehouse.has("root_check_fact"):
        return season
    checks = warehouse.table("root_check_fact")
    return replace(season, prices=counted_damage_prices(season.prices, checks, season.assumed))


def run_checks(warehouse: Warehouse) -> None:
    """Run every check of `sql/checks/`.

    Raises:
        ConsistencyError: a check returns rows, which is an internal error whatever the data.
    """
    for name in sql_names("checks"):
        violations = warehouse.check(name)
        if violations.height:
            raise ConsistencyError(name, violations.height)


def timeline_span(shift: dt.date | None, season: Season) -> tuple[dt.datetime, dt.datetime]:
    """Return the begin and the end of a shift, UTC; both are equal if `shift` is None."""
    zone, day = ZoneInfo(season.time_zone), dt.timedelta(days=1)
    first = shift or dt.date(1970, 1, 2)
    begins = dt.datetime.combine(first, season.shift_starts, zone).astimezone(dt.UTC)
    ends = dt.datetime.combine(first + day, season.shift_starts, zone).astimezone(dt.UTC)
    return begins, ends if shift else begins


def require_facts(warehouse: Warehouse, workspace: Workspace, *more: str) -> None:
    """Check that the load facts, and the tables named in `more`, exist.

    Raises:
        WorkspaceError: nothing has been ingested yet, or its tables are not computed yet, as after an upgrade.
    """
    if all(warehouse.has(name) for name in ("load_fact", *more)):
        return
    if warehouse.has("source_file") and warehouse.table("source_file").height:
        raise WorkspaceError(
            "its tables are not computed yet (it was upgraded, or files were only ingested)",
            where=str(workspace.root),
            remedy="run 'taretrace post-shift' on it first",
        )
    raise WorkspaceError(
        "nothing has been ingested yet", where=str(workspace.root), remedy="run 'taretrace ingest' on it first"
    )
