"""Telemetry stages: bins and retention."""

import datetime as dt

from flows.runtime.progress import Reporter
from flows.stages.context import open_warehouse
from transforms.config.workspace import Workspace
from transforms.parallel import Executor, serial
from transforms.storage.lake import Lake
from transforms.storage.lake_record import require_lake
from transforms.telemetry.machine_days import bin_days, drop_gone_days, stale_days
from transforms.telemetry.retention import ExpiredRecords
from transforms.telemetry.retention import roll_up as rolled_up


def bin_telemetry(workspace: Workspace, reporter: Reporter, spread: Executor = serial) -> int:
    """Make the bins of machine-days that changed."""
    catalogue, lake = workspace.season.catalogue, Lake(workspace.lake)
    with open_warehouse(workspace) as warehouse:
        damaged = require_lake(warehouse, lake, bins=False)
        drop_gone_days(warehouse, lake)
        stale = stale_days(warehouse, catalogue, damaged)
        with reporter.stage(f"Binning {len(stale)} machine-days", len(stale)) as advance:
            made = bin_days(stale, warehouse, lake, catalogue, advance, spread)
        # A day is judged by the machine's other days: silent there as well is a set point, else a stuck sensor.
        if silent := stale_days(warehouse, catalogue, set()):
            bin_days(silent, warehouse, lake, catalogue, lambda: None, spread)
    if made < len(stale):
        reporter.say(f"{len(stale) - made} machine-days are not binned: no machine list names their machines")
    return made


def roll_up(workspace: Workspace, reporter: Reporter) -> ExpiredRecords:
    """Let the records of old machine-days go where season.toml says so; their bins are kept."""
    season, lake = workspace.season, Lake(workspace.lake)
    if not season.place.keep_telemetry_days:
        return ExpiredRecords()
    with open_warehouse(workspace) as warehouse, reporter.stage("Rolling up old records"):
        stale = set(stale_days(warehouse, season.catalogue, require_lake(warehouse, lake, bins=False)))
        return rolled_up(warehouse, lake, season.place.keep_telemetry_days, dt.datetime.now(dt.UTC), stale)
