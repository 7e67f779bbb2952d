"""Three machines in the night of 26 October 2025, when local clocks go back from 03:00 to 02:00."""

import datetime as dt

import polars as pl
import pytest

from flows import stages
from flows.pipeline.demo import write_demo
from tests.validation.seasons import QUIET, ingest
from transforms.config.workspace import Workspace
from transforms.demo.scenario import Plan, Scenario
from transforms.demo.season import invent_season
from transforms.demo.sensors import at
from transforms.storage.lake import Lake

NIGHT = Scenario(
    night=True, first_day="2025-10-25", site_clocks=(), machine_clocks=(), clock_step=None, missing=0.0, wrong_field=0.0
)
BACK = dt.datetime(2025, 10, 26, 1, tzinfo=dt.UTC)
PLAN = Plan(machines=3, days=2, seed=11, hz=0.1, scenario=NIGHT)


@pytest.fixture(scope="module")
def night(tmp_path_factory) -> Workspace:
    workspace = write_demo(
        tmp_path_factory.mktemp("night") / "w",
        machines=PLAN.machines,
        days=PLAN.days,
        seed=PLAN.seed,
        hz=PLAN.hz,
        reporter=QUIET,
        scenario=NIGHT,
    )
    ingest(workspace)
    return workspace


def test_every_ticket_has_its_true_weighing_time(night, catalogue):
    season = invent_season(PLAN, catalogue)
    true = season.tickets.select("load_id", at(season, pl.col("weighed_s")).dt.truncate("1m").alias("true_at"))
    with stages.open_warehouse(night) as warehouse:
        both = warehouse.table("load").join(true, on="load_id")
        planted = warehouse.table("rejected_row").filter(pl.col("file").str.starts_with("tickets"))
    around = both.filter(pl.col("true_at").is_between(BACK - dt.timedelta(hours=1), BACK + dt.timedelta(hours=1)))
    assert around.height >= 8
    assert planted["reason_code"].is_in(["not_a_time", "not_above_bound"]).all()
    assert both.height == true.height
    assert both.filter(pl.col("weighed_at") != pl.col("true_at")).height == 0


def test_logs_continue_without_a_gap_and_loads_keep_their_minutes(night):
    bins = Lake(night.lake).read_bins().filter(pl.col("machine_id") == "M01")
    hour = bins.filter(pl.col("bin_at").is_between(BACK - dt.timedelta(hours=1), BACK + dt.timedelta(hours=1)))
    assert hour.height > 200
    truth = pl.read_parquet(night.root / "truth" / "load_trace.parquet")
    with stages.open_warehouse(night) as warehouse:
        found = warehouse.table("load_trace").drop_nulls("bin_at")
    both = truth.join(found, on=["load_id", "machine_id", "bin_at"], suffix="_found")
    overlap = both.group_by("load_id").agg(pl.min_horizontal("share", "share_found").sum())
    assert overlap["share"].mean() > 0.75
