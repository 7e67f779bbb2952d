"""A new shift traces only the affected fields and gives the same tables as tracing everything at once."""

import shutil
from pathlib import Path

import polars as pl
import pytest

from flows import stages
from flows.pipeline.demo import write_demo
from tests.validation.seasons import QUIET, ingest
from transforms.config.workspace import Workspace
from transforms.jobs.trace_fields import SeasonTrace
from transforms.storage.lake import Lake
from transforms.trace.grade_evidence import is_picked
from transforms.trace.lag_model import LagModel
from transforms.trace.lag_samples import SAMPLE
from transforms.trace.truck_home import HOME_VEHICLE
from transforms.trace.truck_keeping import Keeping

TABLES = (
    "load_trace",
    "load_trace_grade",
    "mass_balance",
    "load_setting",
    "clock_offset",
    "audit_setting",
    "lag_sample",
    "trace_replicate",
    "truck_keeping",
    "load_fact",
)
LAST_DAY = "16.10.2025"


def traced_tables(workspace: Workspace) -> dict[str, pl.DataFrame]:
    with stages.open_warehouse(workspace) as warehouse:
        tables = {name: warehouse.table(name) for name in TABLES}
    return {name: t.sort([c for c in t.columns if t.schema[c] != pl.Float64]) for name, t in tables.items()}


def without_trucks(row: str) -> str:
    """Return a row of a ticket file without truck, trailer, time of weighing empty, and gang, its last four cells."""
    return ";".join([*row.rstrip("\n").split(";")[:-4], "", "", "", ""]) + "\n"


@pytest.fixture(scope="module")
def whole(tmp_path_factory) -> Workspace:
    """Fifteen days of two machines; logs and tickets of the last day are in separate files.

    The clocks of a week may still change with a new day, so that older fields alone need not be traced again.
    Tickets name no trucks: how far these keep to machines is learnt from all fields, so in a short season a new shift
    changes every field (test_trucks_of_other_fields_count_once).
    """
    folder = tmp_path_factory.mktemp("again") / "whole"
    workspace = write_demo(folder, machines=2, days=15, seed=17, hz=0.05, reporter=QUIET)
    for path in sorted(workspace.inbox.glob("tickets_*.csv")):
        header, *rows = path.read_text().splitlines(keepends=True)
        rows = [without_trucks(r) for r in rows]
        last = [r for r in rows if LAST_DAY in r]
        path.write_text(header + "".join(r for r in rows if LAST_DAY not in r))
        path.with_stem(f"{path.stem}_last").write_text(header + "".join(last))
    return workspace


@pytest.fixture(scope="module")
def ingested(tmp_path_factory) -> Workspace:
    """Four ingested days of two machines."""
    workspace = write_demo(
        tmp_path_factory.mktemp("short") / "season", machines=2, days=4, seed=17, hz=0.05, reporter=QUIET
    )
    ingest(workspace)
    return workspace


def later(workspace: Workspace) -> list[Path]:
    """Return the files of the last shift."""
    return [p for p in workspace.inbox.iterdir() if p.stem.endswith(("_last", "_w3"))]


@pytest.mark.slow
def test_a_new_shift_gives_the_same_tables_as_one_delivery(whole, tmp_path):
    steps = Workspace(shutil.copytree(whole.root, tmp_path / "steps"))
    (tmp_path / "late").mkdir()
    held_back = later(steps)
    assert {p.stem.split("_")[0] for p in held_back} == {"log", "tickets"}
    for path in held_back:
        shutil.move(path, tmp_path / "late" / path.name)
    ingest(steps)
    before = traced_tables(steps)
    for path in (tmp_path / "late").iterdir():
        shutil.move(path, steps.inbox / path.name)
    stages.receive_files(steps, QUIET)
    stages.bin_telemetry(steps, QUIET)
    traced = stages.trace_loads(steps, QUIET)
    stages.compute_conditions(steps, QUIET)
    stages.build_marts(steps, QUIET)
    ingest(whole)
    one, two = traced_tables(whole), traced_tables(steps)
    for name, table in one.items():
        assert table.equals(two[name]), name
    fields = one["load_trace_grade"]["field_id"].n_unique()
    assert 0 < traced < fields
    new = one["load_trace_grade"].join(before["load_trace_grade"], on="load_id", how="anti")
    assert new["field_id"].n_unique() < fields
    # With nothing new, nothing is traced.
    assert stages.trace_loads(steps, QUIET) == 0


def test_fields_without_new_rows_are_unchanged(ingested, tmp_path):
    """A corrected ticket causes tracing of its own field and of fields whose clocks change, and of no other field."""
    workspace = Workspace(shutil.copytree(ingested.root, tmp_path / "w"))
    before = traced_tables(workspace)
    with stages.open_warehouse(workspace) as warehouse:
        prints = dict(warehouse.table("traced_field").select("field_id", "inputs").iter_rows())
    path = next(iter(workspace.inbox.glob("tickets_north.csv")))
    header, *rows = path.read_text().splitlines(keepends=True)
    cells = next(r for r in rows if r.split(";")[2]).split(";")
    cells[6] = str(int(cells[6]) + 500)
    path.with_stem("tickets_north_again").write_text(header + ";".join(cells))
    ingest(workspace)
    with stages.open_warehouse(workspace) as warehouse:
        after = dict(warehouse.table("traced_field").select("field_id", "inputs").iter_rows())
    changed = [f for f, p in after.items() if prints[f] != p]
    assert changed == [cells[1]]
    same = pl.col("field_id") != cells[1]
    now = traced_tables(workspace)
    kept = before["load_trace_grade"].filter(same)
    assert kept.height > 0
    # Grades are calibrated by the draws of all fields.
    assert kept.drop("trace_quality").equals(now["load_trace_grade"].filter(same).drop("trace_quality"))


def test_trucks_of_tickets_have_a_home(ingested):
    with stages.open_warehouse(ingested) as warehouse:
        loads = SeasonTrace(warehouse, Lake(ingested.lake), ingested.season).loads
    named = {f for f, own in loads.items() if HOME_VEHICLE in own.columns}
    assert named == {f for f, own in loads.items() if "truck_id" in own.columns}
    assert named


def test_trucks_of_other_fields_count_once(ingested, tmp_path):
    workspace = Workspace(shutil.copytree(ingested.root, tmp_path / "w"))
    with stages.open_warehouse(workspace) as warehouse:
        tracing = SeasonTrace(warehouse, Lake(workspace.lake), workspace.season)
        learnt = LagModel(warehouse.table("lag_sample").select(list(SAMPLE)))
        assert tracing.pending_fields(learnt) == []
        evidence = warehouse.table("truck_keeping")
        shared = evidence["field_id"].unique().to_list()
        assert len(shared) == 1
        assert tracing.keeping().of(shared[0]) == Keeping()
        loyal = evidence.with_columns(
            pl.lit("elsewhere").alias("field_id"), (-20 * pl.col("stray_share")).alias("log_likelihood")
        )
        warehouse.append("truck_keeping", loyal)
        due = tracing.pending_fields(learnt)
        assert [field for field, _, _ in due] == shared
        tracing.trace(due, learnt, lambda: None)
        assert tracing.pending_fields(learnt) == []
        assert warehouse.table("truck_keeping").filter(field_id=shared[0]).equals(evidence)


@pytest.mark.slow
def test_a_field_without_tickets_leaves_no_rows(whole, tmp_path):
    workspace = Workspace(shutil.copytree(whole.root, tmp_path / "w"))
    ingest(workspace)
    with stages.open_warehouse(workspace) as warehouse:
        gone = warehouse.table("load")["field_id"][0]
        warehouse.replace("received_load", warehouse.table("received_load").filter(pl.col("field_id") != gone))
        warehouse.replace("received_field", warehouse.table("received_field").filter(pl.col("field_id") != gone))
        warehouse.replace("field_day", warehouse.table("field_day").filter(pl.col("field_id") != gone))
    stages.trace_loads(workspace, QUIET)
    now = traced_tables(workspace)
    for name in ("load_trace_grade", "mass_balance", "load_setting", "lag_sample"):
        assert gone not in now[name]["field_id"].to_list()
    assert now["load_trace"]["load_id"].is_in(now["load_trace_grade"]["load_id"].implode()).all()


def test_a_season_that_outgrows_a_step_traces_only_fields_that_are_no_longer_picked(ingested):
    with stages.open_warehouse(ingested) as warehouse:
        season_trace = SeasonTrace(warehouse, Lake(ingested.lake), ingested.season)
        learned = LagModel(warehouse.table("lag_sample").select(list(SAMPLE)))
        assert season_trace.step == 1
        assert not season_trace.pending_fields(learned)
        evidence = warehouse.table("trace_replicate")
        season_trace.step = 8
        due = {field for field, _, _ in season_trace.pending_fields(learned)}
    kept = {(f, d) for f, d in evidence.select("field_id", "shift_date").iter_rows() if is_picked(f, d, 2 * 8)}
    assert due
    assert not due & {f for f, _ in kept}
    drawn = evidence["load_id"].str.contains(r"^R\d+$")
    assert 0 < drawn.sum() < evidence.height
