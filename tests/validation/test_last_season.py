"""Slow proof: does last season narrow intervals where it agrees, without making them wrong where it does not?

`pytest -m slow tests/validation/test_last_season.py -s` writes the figures of tests/validation/RESULTS.md;
`TARETRACE_SEASONS=3` makes a quick run that only prints them.

Each pair is a whole season and the first days of the next. In the second case two settings, in the third all of them
had the opposite effect last season; in the fourth last season followed another mechanic.
"""

import os
from unittest.mock import patch

import numpy as np
import polars as pl
import pytest
from scipy.stats import f as fisher

from tests.support.results_page import VALIDATION, markdown_table, write_figures
from tests.validation.fit_seasons import MECHANICS, USUAL, FitSeason, fit_season
from tests.validation.processes import processes
from transforms.config.response_catalogue import DIRT
from transforms.config.settings_catalogue import Catalogue, load_catalogue
from transforms.mixed_model.contrasts import covariance
from transforms.mixed_model.mixture_prior import NormalPrior
from transforms.mixed_model.reml import RemlFit
from transforms.model.effects import cell_rows, effects
from transforms.model.estimate import fit_response
from transforms.model.fit_result import ResponseFit
from transforms.model.fit_tables import fit_posterior
from transforms.model.previous_season import Agreement, Prior, prior_of

PAGE_PAIRS = 30
PAIRS = int(os.environ.get("TARETRACE_SEASONS", PAGE_PAIRS))
DAYS = 8
"""Days of the young season."""
CASES = ("same effects", "two settings changed sign", "all settings changed sign", "another mechanic")
ALONE, ONE_TEST, MIXTURE = "alone", "one test", "mixture"
KEY = ["setting", "wetness_class"]


def one_test(fit: RemlFit, at: dict[str, int], prior: Prior, _terms: object) -> Agreement:
    """Return last season at twice its errors, or nothing if one F test of all coefficients rejects it (p < .01)."""
    k = len(prior.labels)
    L = np.zeros((k, fit.cov_core.shape[0]))
    L[np.arange(k), [at[label] for label in prior.labels]] = 1.0
    gap, wide = L @ fit.coef[: L.shape[1]] - prior.mean, 4 * prior.covariance
    statistic = float(gap @ np.linalg.solve(covariance(fit, L) + wide, gap)) / k
    is_denied = fisher.sf(statistic, k, max(fit.equations.m.n - fit.p - sum(fit.edf.values()), 1.0)) < 0.01
    weight = 0.0 if is_denied else 1.0
    precision = weight * np.asarray(np.linalg.inv(wide), dtype=np.float64)
    return Agreement(dict.fromkeys(USUAL, weight), NormalPrior(prior.labels, prior.mean, precision, k))


def truth(season: FitSeason, fit: ResponseFit) -> pl.DataFrame:
    """Return the true effect of each setting, over all loads and in each wetness class."""
    order = fit.rows["load_id"].str.slice(1).cast(pl.Int64).to_numpy()
    rows = [
        (name, wet, float(change[order][inside].mean()))
        for (wet, soil), inside in cell_rows(fit).items()
        if soil is None and inside.any()
        for name, change in season.effect.items()
    ]
    return pl.DataFrame(rows, schema=[*KEY, "truth"], orient="row")


def intervals(fit: ResponseFit, catalogue: Catalogue) -> pl.DataFrame:
    """Return the intervals of effects over all loads and in each wetness class, on the log scale."""
    table = effects(fit, catalogue, 30).filter(pl.col("soil_class").is_null()).drop_nulls("change_pct")
    return table.select(*KEY, *((pl.col(c) / 100).log1p().alias(c) for c in ("change_pct", "lo95", "hi95")))


def last_seasons(job: int, mechanic: str, catalogue: Catalogue) -> dict[str, tuple[FitSeason, set[str]]]:
    """Return last season of each case, and the settings whose effects have changed since."""
    rng = np.random.default_rng(6600 + job)
    seed, others = 6700 + job, [m for m in MECHANICS if m != mechanic]
    # A setting that does nothing cannot change its sign.
    acting = [n for n, e in fit_season(seed, mechanic, catalogue).effect.items() if np.abs(e).mean() > 0.01]
    two = tuple(rng.choice(acting, 2, replace=False).tolist())
    every = tuple(USUAL)
    return {
        CASES[0]: (fit_season(seed, mechanic, catalogue), set()),
        CASES[1]: (fit_season(seed, mechanic, catalogue, mirrored=two), set(two)),
        CASES[2]: (fit_season(seed, mechanic, catalogue, mirrored=every), set(acting)),
        CASES[3]: (fit_season(seed, others[job // len(MECHANICS) % 2], catalogue), set()),
    }


def judged(job: int) -> pl.DataFrame:
    """Return every interval of a young season by case and way of using last season, with its truth and weight."""
    catalogue, mechanic = load_catalogue(), list(MECHANICS)[job % len(MECHANICS)]
    young = fit_season(6500 + job, mechanic, catalogue, days=DAYS)
    alone = fit_response(young.facts, DIRT, catalogue, 0.1)
    assert alone is not None
    plain = intervals(alone, catalogue).join(truth(young, alone), on=KEY, nulls_equal=True)
    plain = plain.with_columns((pl.col("hi95") - pl.col("lo95")).alias("width_alone"))
    out = []
    for case, (season, changed) in last_seasons(job, mechanic, catalogue).items():
        before = fit_response(season.facts, DIRT, catalogue, 0.1)
        assert before is not None
        prior = prior_of(fit_posterior(before), DIRT)
        mixture = fit_response(young.facts, DIRT, catalogue, 0.1, prior=prior)
        with patch("transforms.model.estimate.season_agreement", one_test):
            tested = fit_response(young.facts, DIRT, catalogue, 0.1, prior=prior)
        for way, fit in ((ALONE, alone), (ONE_TEST, tested), (MIXTURE, mixture)):
            assert fit is not None
            weights = fit.last_season.weights if fit.last_season is not None else {}
            found = intervals(fit, catalogue).join(plain.select(*KEY, "truth", "width_alone"), on=KEY, nulls_equal=True)
            out.append(
                found.with_columns(
                    pl.lit(case).alias("case"),
                    pl.lit(way).alias("way"),
                    pl.lit(job).alias("pair"),
                    pl.col("setting").is_in(list(changed)).alias("changed"),
                    pl.col("setting").replace_strict(weights, default=None, return_dtype=pl.Float64).alias("weight"),
                )
            )
    return pl.concat(out).with_columns(
        pl.col("truth").is_between("lo95", "hi95").alias("covered"),
        ((pl.col("hi95") - pl.col("lo95")) / pl.col("width_alone")).log().alias("log_width_ratio"),
        (pl.col("change_pct") - pl.col("truth")).alias("error"),
    )


def summary(table: pl.DataFrame) -> pl.DataFrame:
    """Return coverage, width ratio, error and weights by case and way."""
    return table.group_by("case", "way", maintain_order=True).agg(
        pl.len().alias("n"),
        pl.col("covered").mean(),
        pl.col("covered").filter("changed").mean().alias("covered_changed"),
        pl.col("log_width_ratio").mean().exp().alias("width_ratio"),
        (pl.col("error") ** 2).mean().sqrt().alias("error"),
        pl.col("weight").filter("changed").mean().alias("weight_changed"),
        pl.col("weight").filter(~pl.col("changed")).mean().alias("weight_others"),
    )


def _figure(value: float | None, digits: int = 2) -> str:
    return "" if value is None else f"{value:.{digits}f}"


@pytest.mark.slow
def test_last_season_narrows_intervals_that_still_cover():
    with processes() as pool:
        table = pl.concat(pool.map(judged, range(PAIRS)))
    found = summary(table)
    head = [
        "last season",
        "used by",
        "intervals",
        "covered",
        "covered, changed settings",
        "width / alone",
        "error, %",
        "weight, changed settings",
        "weight, others",
    ]
    rows = [
        [
            r["case"],
            r["way"],
            str(r["n"]),
            _figure(r["covered"], 3),
            _figure(r["covered_changed"], 3),
            _figure(r["width_ratio"]),
            _figure(100 * r["error"]),
            _figure(r["weight_changed"]),
            _figure(r["weight_others"]),
        ]
        for r in found.iter_rows(named=True)
    ]
    measured = f"{PAIRS} pairs of 24 and {DAYS} days"
    lines = markdown_table(head, rows)
    write_figures(VALIDATION, "last season as a prior", lines, measured, only_print=PAIRS < PAGE_PAIRS)
    mixture = {r["case"]: r for r in found.filter(pl.col("way") == MIXTURE).iter_rows(named=True)}
    tested = {r["case"]: r for r in found.filter(pl.col("way") == ONE_TEST).iter_rows(named=True)}
    for case in CASES[:3]:
        assert mixture[case]["covered"] >= 0.93, case
    # Effects of another mechanic differ a little in every setting, which no season can show of each.
    assert mixture[CASES[3]]["covered"] >= tested[CASES[3]]["covered"] - 0.01
    assert mixture[CASES[0]]["width_ratio"] < 0.9
    assert mixture[CASES[1]]["width_ratio"] < 1.0
