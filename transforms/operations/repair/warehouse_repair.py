"""Rebuild of a damaged or missing warehouse from all received files."""

import datetime as dt
from collections.abc import Callable
from pathlib import Path

import polars as pl

from transforms.errors import DamagedError, WorkspaceError
from transforms.ingest.ingest_file import IngestTarget, ingest_or_report
from transforms.ingest.isolated_read import IsolatedRead
from transforms.ingest.kept_copies import sort_by_receipt
from transforms.operations.repair.outcome import Outcome, stamp
from transforms.operations.repair.sources import Sources
from transforms.storage.lake import NAMED, PREFIX, Lake
from transforms.storage.warehouse import Warehouse

REBUILT = ".warehouse.rebuilt.partial"
"""Name of the new warehouse until it is complete; the next run removes an unfinished one."""
SALVAGED = ("trial_load", "trial_result", "varied_load", "advice_issued")
"""Tables that exist only in the warehouse, not in any other file of the workspace."""


def is_warehouse_whole(path: Path) -> bool:
    """Return True if every table of a warehouse can be read.

    Raises:
        WorkspaceError: another run uses the warehouse.
    """
    if not path.exists():
        return False
    try:
        # Open for writing, so that DuckDB replays the write-ahead log and an earlier layout is upgraded.
        with Warehouse(path) as warehouse:
            for name in warehouse.query("own_relation").filter(kind="table")["name"].to_list():
                warehouse.table(name)
    except DamagedError:
        return False
    return True


def lost_sources(sources: Sources, lake: Lake) -> list[str]:
    """Return the received files that no source provides.

    Args:
        sources: the received files that are known, and those that can be read again.
        lake: the lake, whose telemetry files name their sources.

    Returns:
        Names of files with an unreadable copy, then prefixes of content hashes that only the lake has; both sorted.
    """
    known = {sha[:PREFIX] for sha in sources.index} | {sha[:PREFIX] for sha in sources.readable}
    stored = {name.rsplit("/", 1)[-1] for name in lake.listing() if name.startswith("telemetry/")}
    unnamed = {name[:PREFIX] for name in stored if NAMED.fullmatch(name)} - known
    named = [copy.file for sha, copy in sources.index.items() if sha not in sources.readable]
    return [*sorted(named), *sorted(unnamed)]


def _salvage(path: Path) -> dict[str, pl.DataFrame]:
    """Return the readable tables among those that exist only in the damaged warehouse."""
    out = {}
    for name in SALVAGED:
        try:
            with Warehouse(path, read_only=True) as damaged:
                out[name] = damaged.table(name)
        except (WorkspaceError, OSError):
            continue
    return out


def rebuild_warehouse(
    sources: Sources, lake: Lake, now: dt.datetime, outcome: Outcome, advance: Callable[[], None], *, accept_loss: bool
) -> bool:
    """Build a new warehouse and move the damaged one aside; return True if that was done.

    The old warehouse stays in place until the new one is complete, so that no run opens an incomplete one.

    Args:
        sources: the files that can be read.
        lake: the lake, whose telemetry is written again.
        now: the current time, UTC.
        outcome: receives the steps done, and the data lost.
        advance: called for each file read.
        accept_loss: rebuild although some received files cannot be read.
    """
    path = sources.workspace.warehouse
    lost = lost_sources(sources, lake)
    if lost and not accept_loss:
        outcome.lose("warehouse.no_source", lost)
        return False
    outcome.add("warehouse.given_up", lost)
    new = path.with_name(REBUILT)
    for left in (new, new.with_name(f"{new.name}.wal")):
        left.unlink(missing_ok=True)
    with Warehouse(new) as warehouse:
        store, read = IngestTarget(warehouse, lake), IsolatedRead(sources.workspace.root)
        for copy in sort_by_receipt([c for sha, c in sources.index.items() if sha in sources.readable]):
            with sources.opened(copy.sha) as found:
                lake.delete_source(copy.sha)
                if found is not None:
                    ingest_or_report(found, sources.mappings, sources.catalogue, store, read)
            advance()
        for name, rows in (_salvage(path) if path.is_file() else {}).items():
            warehouse.append(name, rows)
    Warehouse.checkpoint(new)
    damaged = path.with_name(f"warehouse.damaged-{stamp(now)}.duckdb")
    for end in ("", ".wal"):
        old = path.with_name(f"{path.name}{end}")
        if old.exists():
            old.rename(damaged.with_name(f"{damaged.name}{end}"))
    new.replace(path)
    outcome.add("warehouse.rebuilt", [damaged.name])
    return True
