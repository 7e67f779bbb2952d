"""Telemetry stages: bins and retention."""

import datetime as dt

from flows.runtime.progress import Reporter
from flows.stages.context import open_warehouse
from reports.language.translate import mark, mark_n, say_n
from transforms.config.workspace import Workspace
from transforms.jobs.machine_days import bin_days, delete_vanished_days, stale_days
from transforms.operations.retention import ExpiredRecords, expire_records
from transforms.parallel import Executor, serial
from transforms.storage.lake import Lake
from transforms.storage.lake_record import require_lake

BINNING = mark_n("Binning {n} machine-day", "Binning {n} machine-days")


def bin_telemetry(workspace: Workspace, reporter: Reporter, executor: Executor = serial) -> int:
    """Compute the bins of machine-days that changed; return how many could be binned."""
    catalogue, lake = workspace.season.catalogue, Lake(workspace.lake)
    with open_warehouse(workspace) as warehouse:
        damaged = require_lake(warehouse, lake, bins=False)
        delete_vanished_days(warehouse, lake)
        stale = stale_days(warehouse, catalogue, damaged)
        with reporter.stage(BINNING, len(stale)) as advance:
            binned = bin_days(stale, warehouse, lake, catalogue, advance, executor)
        # The machine's other days decide if a constant signal is a set point or a stuck sensor, and if a rule asks
        # instead of flagging: the new bins may change that result for other days.
        if affected := stale_days(warehouse, catalogue, set()):
            bin_days(affected, warehouse, lake, catalogue, lambda: None, executor)
    if binned < len(stale):
        reporter.line(
            say_n(
                "{n} machine-day is not binned: its machine is missing from the machine list",
                "{n} machine-days are not binned: their machines are missing from the machine list",
                len(stale) - binned,
            )
        )
    return binned


def delete_expired_records(workspace: Workspace, reporter: Reporter) -> ExpiredRecords:
    """Delete the records of machine-days older than season.toml allows; their bins are kept."""
    season, lake = workspace.season, Lake(workspace.lake)
    if not season.place.keep_telemetry_days:
        return ExpiredRecords()
    with open_warehouse(workspace) as warehouse, reporter.stage(mark("Deleting expired records")):
        stale = set(stale_days(warehouse, season.catalogue, require_lake(warehouse, lake, bins=False)))
        return expire_records(warehouse, lake, season.place.keep_telemetry_days, dt.datetime.now(dt.UTC), stale)
