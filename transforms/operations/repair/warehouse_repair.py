"""Rebuilding of a damaged or missing warehouse by reading everything received again."""

import datetime as dt
from collections.abc import Callable
from pathlib import Path

import polars as pl

from transforms.errors import DamagedError, WorkspaceError
from transforms.ingest.ingest_file import IngestTarget, ingest_or_report
from transforms.ingest.isolated_read import IsolatedRead
from transforms.ingest.kept_copies import in_order
from transforms.operations.repair.outcome import Outcome, stamp
from transforms.operations.repair.sources import Sources
from transforms.storage.lake import NAMED, PREFIX, Lake
from transforms.storage.warehouse import Warehouse

REBUILT = ".warehouse.rebuilt.partial"
"""Name of the new warehouse until it is complete; the next run removes an unfinished one."""
SALVAGED = ("trial_load", "trial_result")
"""Tables that no file of the workspace holds beside the warehouse."""


def is_warehouse_whole(path: Path) -> bool:
    """Return whether every table and view of a warehouse can be read.

    Raises:
        WorkspaceError: another run uses it.
    """
    if not path.exists():
        return False
    try:
        # Opened for writing: a log beside it and tables of an earlier layout are brought in.
        with Warehouse(path) as warehouse:
            for name in warehouse.query("own_relation").filter(kind="table")["name"].to_list():
                warehouse.table(name)
    except DamagedError:
        return False
    return True


def lost_sources(sources: Sources, lake: Lake) -> list[str]:
    """Return received contents that can be read from nowhere: their names, or prefixes that the lake alone knows."""
    known = {sha[:PREFIX] for sha in sources.index} | {sha[:PREFIX] for sha in sources.readable}
    stored = {name.rsplit("/", 1)[-1] for name in lake.listing() if name.startswith("telemetry/")}
    unnamed = {name[:PREFIX] for name in stored if NAMED.fullmatch(name)} - known
    named = [copy.file for sha, copy in sources.index.items() if sha not in sources.readable]
    return [*sorted(named), *sorted(unnamed)]


def _salvage(path: Path) -> dict[str, pl.DataFrame]:
    """Return what a damaged warehouse still gives of the tables that nothing else holds."""
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
    """Build a new warehouse, set the damaged one aside, and return whether that was done.

    The old one stays in place until the new one is complete, so that no run meets half of it.
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
        for copy in in_order([c for sha, c in sources.index.items() if sha in sources.readable]):
            with sources.opened(copy.sha) as found:
                lake.forget(copy.sha)
                if found is not None:
                    ingest_or_report(found, sources.mappings, sources.catalogue, store, read)
            advance()
        for name, rows in (_salvage(path) if path.is_file() else {}).items():
            warehouse.append(name, rows)
    Warehouse.settle(new)
    aside = path.with_name(f"warehouse.damaged-{stamp(now)}.duckdb")
    for end in ("", ".wal"):
        old = path.with_name(f"{path.name}{end}")
        if old.exists():
            old.rename(aside.with_name(f"{aside.name}{end}"))
    new.replace(path)
    outcome.add("warehouse.rebuilt", [aside.name])
    return True
