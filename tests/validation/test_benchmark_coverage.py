"""Slow proof: do the benchmark's intervals hold what machines, operators, growers and fields truly add?

`pytest -m slow tests/validation/test_benchmark_coverage.py -s` writes the table of tests/validation/RESULTS.md;
`TARETRACE_SEASONS=8` makes a quick run that only prints it.
"""

import os

import numpy as np
import polars as pl
import pytest

from tests.support.results_page import VALIDATION, markdown_table, write_figures
from tests.validation.fit_seasons import MECHANICS, FitSeason, fit_season
from tests.validation.processes import processes
from transforms.benchmark.subject_effects import estimate_subject_effects
from transforms.config.response_catalogue import DIRT
from transforms.config.settings_catalogue import load_catalogue
from transforms.model.estimate import fit_response
from transforms.model.load_decomposition import intercept_parts

PAGE_SEASONS = 60
SEASONS = int(os.environ.get("TARETRACE_SEASONS", PAGE_SEASONS))
KINDS = ("machine", "operator", "grower", "field")
OPERATOR_SD, GROWER_SD = 0.06, 0.06
FIELDS_A_GROWER = 4


def with_operators_and_growers(season: FitSeason, seed: int) -> tuple[pl.DataFrame, dict[str, np.ndarray]]:
    """Add what operators and growers do of their own; return facts and the true level of each load's subjects."""
    rng = np.random.default_rng(seed)
    number = season.facts["field_id"].str.slice(1).cast(pl.Int64) // FIELDS_A_GROWER
    facts = season.facts.with_columns(pl.format("G{}", number).alias("grower_id"))
    own = dict(season.own)
    for kind, sd in (("operator", OPERATOR_SD), ("grower", GROWER_SD)):
        codes = facts[f"{kind}_id"].rank("dense").to_numpy() - 1
        own[kind] = rng.normal(0, sd, codes.max() + 1)[codes]
    z = np.log((facts[DIRT] / (100 - facts[DIRT])).to_numpy()) + own["operator"] + own["grower"]
    own["field"] = own["field"] + own["grower"]
    return facts.with_columns(pl.Series(DIRT, 100 / (1 + np.exp(-z)))), own


def held(job: int) -> list[dict[str, object]]:
    """One season: each subject's true level, its intervals, and the fit's own prediction of it."""
    catalogue, mechanic = load_catalogue(), list(MECHANICS)[job % len(MECHANICS)]
    facts, own = with_operators_and_growers(fit_season(8000 + job, mechanic, catalogue), job)
    fit = fit_response(facts, DIRT, catalogue, 0.1)
    assert fit is not None
    at = fit.rows["load_id"].str.slice(1).cast(pl.Int64).to_numpy()
    out: list[dict[str, object]] = []
    for kind in KINDS:
        levels = estimate_subject_effects(fit, kind)
        assert levels is not None
        total = np.bincount(levels.code, weights=levels.weight)
        truth = np.bincount(levels.code, weights=levels.weight * own[kind][at]) / total
        truth = truth - (truth * total).sum() / total.sum()
        naive = intercept_parts(fit).get(kind)
        for name, (low, high), middle in (
            ("own", levels.interval, levels.own),
            ("shrunken", levels.shrunken.interval, levels.shrunken.mean),
        ):
            out.extend(
                {
                    "season": job,
                    "mechanic": mechanic,
                    "kind": kind,
                    "which": name,
                    "held": bool(low[k] <= truth[k] <= high[k]),
                    "error": middle[k] - truth[k],
                    "half": (high[k] - low[k]) / 2,
                    "truth": truth[k],
                }
                for k in range(truth.size)
            )
        if naive is not None:
            u, se = fit.reml.u[kind], fit.level_se(kind)
            mean = np.bincount(levels.code, weights=levels.weight * own[kind][at]) / total
            mean = mean - mean.mean()
            gap = u - u.mean() - mean
            out.extend(
                {
                    "season": job,
                    "mechanic": mechanic,
                    "kind": kind,
                    "which": "the fit's own prediction",
                    "held": bool(abs(gap[k]) <= 1.96 * se[k]),
                    "error": gap[k],
                    "half": 1.96 * se[k],
                    "truth": mean[k],
                }
                for k in range(u.size)
            )
    return out


def report(table: pl.DataFrame) -> None:
    """Write the table of RESULTS.md."""
    rows = [
        [
            r["kind"],
            "unshrunken" if r["which"] == "own" else r["which"],
            f"{r['len']}",
            f"{r['held']:.3f}",
            f"{r['rmse']:.3f}",
            f"{r['half']:.3f}",
        ]
        for r in table.sort("kind", "which").iter_rows(named=True)
    ]
    head = ["subjects", "interval", "subjects in all", "covered", "error (log)", "half-width"]
    lines, quick = markdown_table(head, rows), SEASONS != PAGE_SEASONS
    write_figures(VALIDATION, "coverage of the benchmark", lines, f"{SEASONS} seasons", only_print=quick)


@pytest.mark.slow
def test_intervals_of_the_benchmark_hold():
    with processes() as pool:
        rows = pl.DataFrame([r for part in pool.map(held, range(SEASONS)) for r in part])
    table = rows.group_by("kind", "which").agg(
        pl.len(),
        pl.col("held").mean(),
        (pl.col("error") ** 2).mean().sqrt().alias("rmse"),
        pl.col("half").mean(),
        pl.corr("error", "truth").alias("r"),
    )
    report(table)
    own, shrunken = (table.filter(pl.col("which") == w) for w in ("own", "shrunken"))
    assert own["held"].min() >= 0.95
    assert shrunken["held"].min() >= 0.91
    assert 0.93 <= shrunken["held"].mean() <= 0.97
    assert (shrunken["rmse"].max()) < own["rmse"].max()
