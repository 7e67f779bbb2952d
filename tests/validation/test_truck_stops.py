"""Stops of trucks on invented seasons, and what missing data is said to cost, compared with the truth.

pytest -m slow -n0 tests/validation/test_truck_stops.py -s
"""

import datetime as dt
from dataclasses import replace
from pathlib import Path

import polars as pl
import pytest

from flows.pipeline.demo import write_demo
from flows.runtime.progress import Reporter
from flows.stages.ingest import receive_files
from flows.stages.telemetry import bin_telemetry
from flows.stages.trace import assess_missing_data, trace_loads
from tests.support.results_page import VALIDATION, markdown_table, write_figures
from transforms.config.workspace import Workspace
from transforms.demo.scenario import Scenario
from transforms.jobs.truck_stops import update_truck_stops
from transforms.model.specification import MIN_TRACE_QUALITY
from transforms.storage.lake import Lake
from transforms.storage.warehouse import Warehouse

QUIET = Reporter(quiet=True)
SHARED = Scenario(machines_a_field=2, clock_step=None)
INTERVALS_S = (10, 60, 300)
AHEAD_MIN = 11.0


def read_season(folder: Path, scenario: Scenario, seed: int) -> Workspace:
    workspace = write_demo(folder, machines=4, days=2, seed=seed, hz=0.1, reporter=QUIET, scenario=scenario)
    receive_files(workspace, QUIET)
    bin_telemetry(workspace, QUIET)
    return workspace


def emptyings_seen(workspace: Workspace, ahead_min: float) -> tuple[int, float, float]:
    """Return emptyings into known trucks, the share with such a truck beside, and the share with another one too."""
    with Warehouse(workspace.warehouse) as warehouse:
        update_truck_stops(warehouse, Lake(workspace.lake), workspace.season)
        stops = warehouse.table("truck_stop").drop_nulls("machine_id")
        events = warehouse.table("unload_event").select("machine_id", "started_at").with_row_index("event")
    last = pl.col("machine_id") == events["machine_id"].max()
    ahead = pl.when(last).then(pl.duration(minutes=int(ahead_min))).otherwise(pl.duration(minutes=0))
    trips = pl.read_parquet(workspace.root / "truth" / "truck_trip.parquet").drop_nulls("machine_id")
    true_at = pl.col("started_at") - ahead
    into = events.join(trips, on="machine_id").filter(
        (pl.col("from_at") - dt.timedelta(minutes=1) <= true_at) & (true_at <= pl.col("left_at"))
    )
    who = into.group_by("event", maintain_order=True).agg(pl.col("truck_id").alias("who"))
    beside = events.join(stops, on="machine_id").filter(
        (pl.col("arrived_at") <= pl.col("started_at") + dt.timedelta(minutes=1))
        & (pl.col("left_at") >= pl.col("started_at"))
    )
    near = beside.group_by("event", maintain_order=True).agg(pl.col("truck_id").alias("near"))
    both = who.join(near, on="event", how="left").with_columns(pl.col("near").fill_null([]))
    seen = both.select(
        (pl.col("near").list.set_intersection("who").list.len() > 0).mean().alias("seen"),
        (pl.col("near").list.set_difference("who").list.len() > 0).mean().alias("other"),
    ).row(0)
    return both.height, *seen


@pytest.mark.slow
def test_a_truck_is_seen_beside_nearly_every_emptying(tmp_path: Path):
    rows = []
    for ahead_min in (0.0, AHEAD_MIN):
        clocks = ((-1, ahead_min),) if ahead_min else ()
        for interval_s in INTERVALS_S:
            scenario = replace(SHARED, truck_positions_s=float(interval_s), machine_clocks=clocks)
            workspace = read_season(tmp_path / f"{interval_s}_{ahead_min:.0f}", scenario, seed=3)
            n, seen, other = emptyings_seen(workspace, ahead_min)
            rows.append([f"{interval_s} s", f"{ahead_min:.0f} min", str(n), f"{seen:.3f}", f"{other:.3f}"])
            assert seen > 0.95
    head = ["positions every", "one of four machines ahead by", "emptyings", "truck seen beside", "another one too"]
    write_figures(VALIDATION, "stops of trucks", markdown_table(head, rows))


@pytest.mark.slow
def test_truck_numbers_are_worth_about_as_much_as_the_season_report_says(tmp_path: Path):
    rows = []
    for seed in (3, 4, 5):
        said: dict[str, float] = {}
        for truck_ids in (0.0, 1.0):
            scenario = replace(SHARED, ticket_ids=0.2, truck_ids=truck_ids)
            workspace = read_season(tmp_path / f"{seed}_{truck_ids:.0f}", scenario, seed)
            trace_loads(workspace, QUIET)
            assess_missing_data(workspace, QUIET)
            with Warehouse(workspace.warehouse) as warehouse:
                loads, rows_said = warehouse.query("missing_source"), warehouse.table("missing_data")
            used = 100 * float((loads["trace_quality"] >= MIN_TRACE_QUALITY).sum()) / loads.height
            trucks = rows_said.filter(pl.col("source_code") == "truck_id")
            said[f"used {truck_ids:.0f}"] = used
            if not truck_ids:
                said["estimated"] = trucks["season_with_pct"][0]
        rows.append([str(seed), *(f"{said[k]:.1f} %" for k in ("used 0", "estimated", "used 1"))])
        assert abs(said["estimated"] - said["used 1"]) < 4
    head = ["seed", "used without truck numbers", "estimated with them", "used with them"]
    write_figures(VALIDATION, "worth of truck numbers", markdown_table(head, rows))
