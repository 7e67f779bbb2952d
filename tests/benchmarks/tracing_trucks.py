"""Worth of truck data to tracing: each source beside none and beside known machines, on unseen invented seasons.

Run: .venv/bin/python tests/benchmarks/tracing_trucks.py     writes the table "trucks" of tests/validation/RESULTS.md

Emptyings are seen and no ticket names a machine. Ceiling: every ticket names its machine.
"""

import sys
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from itertools import product
from pathlib import Path

import numpy as np
import polars as pl

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT)]

from tests.benchmarks.tracing import Cell
from tests.support.results_page import VALIDATION, markdown_table, write_figures
from tests.validation.traced import (
    TracedSeason,
    UntracedSeason,
    mean_settings,
    overlap,
    prepare_plan,
    right_machine,
    settings_r2,
    trace_tickets,
)
from tests.validation.truck_trips import Fleet, truck_columns, truck_stops, truck_trips
from transforms.arrays import to_float
from transforms.trace.truck_home import add_home_vehicle

DAYS, SEEDS, FIRST_SEED = 2, 1, 5100
KEEPS = Fleet()
STRAYS = Fleet(leak=0.3)
POOL = Fleet(pooled=True)


@dataclass(frozen=True)
class Source:
    """Data of an office: columns of tickets, and the interval of positions, minutes."""

    name: str
    columns: tuple[str, ...] = ()
    fleet: Fleet = KEEPS
    every_min: float | None = None
    machine_named: bool = False


SOURCES = (
    Source("none"),
    Source("gang", ("gang_id",)),
    Source("trailer number", ("trailer_id",)),
    Source("truck number", ("truck_id",)),
    Source("truck number and tare weighing", ("truck_id", "tared_at")),
    Source("truck, tare weighing, gang", ("truck_id", "tared_at", "gang_id")),
    Source("truck number, 30 % elsewhere", ("truck_id",), STRAYS),
    Source("truck number, one pool", ("truck_id",), POOL),
    Source("truck number and tare weighing, one pool", ("truck_id", "tared_at"), POOL),
    Source("positions every minute", ("truck_id",), every_min=1.0),
    Source("positions every 5 min", ("truck_id",), every_min=5.0),
    Source("positions every minute, one pool", ("truck_id",), POOL, every_min=1.0),
    Source("ceiling: machine on every ticket", machine_named=True),
)


def _figures(found: TracedSeason) -> dict[str, float]:
    known = found.load_trace.filter(pl.col("bin_at").is_not_null())
    r2 = settings_r2(mean_settings(known, found.bins, found.settings), found.true_settings(), found.settings)
    return {
        "overlap": to_float(overlap(found.load_trace, found.truth)["overlap"].mean()),
        "right": right_machine(found.load_trace, found.truth),
        "r2": float(np.mean(list(r2.values()))),
        "grade": to_float(found.grade["trace_quality"].mean()),
    }


def _traced(ready: UntracedSeason, source: Source, seed: int) -> dict[str, float]:
    """Trace one season with a source: its figures, and seconds of processor time."""
    season, tickets = ready.season, ready.tickets
    trips = truck_trips(season, source.fleet, seed)
    columns = truck_columns(season, trips, source.fleet, seed).select("load_id", *source.columns)
    if source.columns:
        tickets = add_home_vehicle(tickets.join(columns, on="load_id", how="left", maintain_order="left"))
    if source.machine_named:
        ids = season.district.machines["machine_id"].to_list()
        machine = {n: ids[m] if m >= 0 else None for n, m in season.tickets.select("load_id", "machine").iter_rows()}
        named = [machine[n] for n in tickets["load_id"]]
        tickets = tickets.with_columns(pl.Series("machine_id", named, dtype=pl.String))
    stops = None
    if source.every_min is not None:
        stops = truck_stops(season, trips, ready.unloads, source.every_min, seed)
    started = time.process_time()
    found = trace_tickets(ready, tickets, stops)
    return _figures(found) | {"seconds": time.process_time() - started, "loads": float(tickets.height)}


def measured(task: tuple[int, str, int]) -> list[dict[str, object]]:
    """Return the figures of every source on one season."""
    machines, mechanics, seed = task
    plan = replace(Cell("flag", 0.0, machines, mechanics, seed).plan, days=DAYS)
    ready = prepare_plan(plan)
    return [{"machines": machines, "source": s.name} | _traced(ready, s, seed) for s in SOURCES]


def _row(part: pl.DataFrame, machines: int, source: str) -> list[str]:
    figures = [f"{to_float(part[name].mean()):.3f}" for name in ("overlap", "right", "r2", "grade")]
    return [f"{machines}", source, f"{int(part['loads'].sum())}", *figures, f"{to_float(part['seconds'].sum()):.0f}"]


def main() -> None:
    """Measure every season and write the table."""
    tasks = [
        (machines, mechanics, FIRST_SEED + 10 * machines + k)
        for machines, mechanics, k in product((2, 3), ("mild", "rough"), range(SEEDS))
    ]
    with ProcessPoolExecutor(2) as pool:
        table = pl.DataFrame([row for rows in pool.map(measured, tasks) for row in rows])
    groups = table.group_by("machines", "source", maintain_order=True)
    rows = [_row(part, int(str(m)), str(s)) for (m, s), part in groups]
    head = ["machines per field", "source", "loads", "overlap", "right machine", "R2", "mean grade", "processor s"]
    write_figures(VALIDATION, "trucks", markdown_table(head, rows))


if __name__ == "__main__":
    main()
