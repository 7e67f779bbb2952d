"""Small invented seasons through the customer's own stages, with their truth."""

import shutil
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from flows import stages
from flows.pipeline.demo import write_demo
from flows.runtime.progress import Reporter
from transforms.config.workspace import Workspace
from transforms.model.effects import classes_of

QUIET = Reporter(quiet=True)


@dataclass(frozen=True)
class Season:
    """A season that was run, its fits, and where its truth lies."""

    workspace: Workspace
    fits: stages.Fits

    def truth(self, name: str) -> pl.DataFrame:
        return pl.read_parquet(self.workspace.root / "truth" / f"{name}.parquet")


def ingest(workspace: Workspace) -> None:
    for stage in (
        stages.receive_files,
        stages.bin_telemetry,
        stages.trace_loads,
        stages.compute_conditions,
        stages.build_marts,
    ):
        stage(workspace, QUIET)


def run_season(folder: Path, *, seed: int, machines: int, days: int) -> Season:
    """Write a demo season's exports and run every stage up to the fit on them."""
    workspace = write_demo(folder, machines=machines, days=days, seed=seed, hz=0.1, reporter=QUIET)
    ingest(workspace)
    return Season(workspace, stages.fit_responses(workspace, QUIET))


def copy_of(season: Season, folder: Path) -> Workspace:
    """A workspace of one's own to change: the session's season stays as it is for every other test."""
    shutil.copytree(season.workspace.root, folder)
    return Workspace(folder)


def true_effects(season: Season, response: str) -> pl.DataFrame:
    """The true percent change per step of each setting in each wetness class, over the rows the fit used."""
    fit = season.fits.dirt
    assert fit is not None
    rows = fit.rows.select("load_id").hstack(classes_of(fit.rows))
    by_load = season.truth("load_effect").join(rows, on="load_id")
    means = by_load.group_by("setting", "wetness_class").agg(pl.col(response).mean().alias("log_change"))
    return means.with_columns((100 * (pl.col("log_change").exp() - 1)).alias("true_pct"))
