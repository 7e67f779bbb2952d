"""Slow proof: do 95 % intervals of effects per wetness class hold the truth in about 95 of 100 invented seasons?

Every season goes through files, mappings, tracing and fit as a customer's would. The proof writes the figures of
RESULTS.md.
"""

import shutil
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from flows import stages
from tests.support.results_page import VALIDATION, markdown_table, write_figures
from tests.validation.processes import processes
from tests.validation.seasons import run_season, true_effects
from transforms.config.response_catalogue import DIRT

SEEDS = range(101, 125)
MACHINES, DAYS = 6, 12
CLASSES = ["dry", "moist", "wet"]


def cells(job: tuple[int, Path]) -> pl.DataFrame:
    """Effects per setting and wetness class of one season beside their truth, and the naive slope over all loads."""
    seed, folder = job
    season = run_season(folder, seed=seed, machines=MACHINES, days=DAYS)
    with stages.open_warehouse(season.workspace) as warehouse:
        found, facts = warehouse.table("effect"), warehouse.table("load_fact").drop_nulls(DIRT)
    found = found.filter((pl.col("response") == DIRT) & pl.col("soil_class").is_null()).drop_nulls(
        ["wetness_class", "change_pct"]
    )
    naive = {}
    for row in found.unique("setting").iter_rows(named=True):
        pair = facts.drop_nulls(row["setting"])
        x = pair[row["setting"]].to_numpy() / row["step"]
        y = np.log((pair[DIRT] / (100 - pair[DIRT])).to_numpy())
        slope, residual = np.polyfit(x, y, 1, full=False, cov=True)
        naive[row["setting"]] = (float(slope[0]), float(np.sqrt(residual[0, 0])))
    table = found.join(true_effects(season, DIRT), on=["setting", "wetness_class"]).with_columns(
        pl.lit(seed).alias("seed"),
        pl.col("setting").replace_strict({k: v[0] for k, v in naive.items()}).alias("naive"),
        pl.col("setting").replace_strict({k: v[1] for k, v in naive.items()}).alias("naive_se"),
    )
    shutil.rmtree(folder)
    return table


def report(table: pl.DataFrame, by_class: pl.DataFrame) -> None:
    """Write the figures of RESULTS.md."""
    everything = table.select(pl.lit("all").alias("wetness_class"), pl.len(), pl.col("held", "naive_held").mean())
    rows = [
        [r["wetness_class"], f"{r['len']}", f"{r['held']:.3f}", f"{r['naive_held']:.3f}"]
        for part in (by_class.sort("wetness_class"), everything)
        for r in part.iter_rows(named=True)
    ]
    head = ["wetness class", "cells", "covered", "pooled regression on one setting, covered"]
    certain = table.filter(pl.col("q_value") < 0.05)
    signs = f"Of the {certain.height} cells with q < 0.05, {certain['wrong_sign'].sum()} had a wrong sign."
    measured = f"{len(SEEDS)} seasons of {MACHINES} machines x {DAYS} days"
    write_figures(VALIDATION, "coverage", [*markdown_table(head, rows), "", signs], measured)


@pytest.mark.slow
def test_intervals_of_effects_per_wetness_class_hold_the_truth(tmp_path):
    with processes() as pool:
        table = pl.concat(pool.map(cells, [(s, tmp_path / str(s)) for s in SEEDS]))
    table = table.with_columns(
        pl.col("true_pct").is_between("lo95", "hi95").alias("held"),
        ((pl.col("naive") - pl.col("log_change")).abs() < 1.96 * pl.col("naive_se")).alias("naive_held"),
        ((pl.col("q_value") < 0.05) & (pl.col("change_pct") * pl.col("true_pct") < 0)).alias("wrong_sign"),
    )
    by_class = table.group_by("wetness_class").agg(pl.len(), pl.col("held", "naive_held").mean())
    report(table, by_class)
    assert sorted(by_class["wetness_class"]) == CLASSES
    assert by_class["held"].min() >= 0.90
    assert by_class["held"].max() <= 0.98
    assert table["wrong_sign"].mean() < 0.01
    assert table["naive_held"].mean() < 0.6
