"""Slow proof: does designed variation show true effects if operators react to hidden dirt, or hardly move a setting?

`pytest -m slow tests/validation/test_variation.py -s` writes the figures of tests/validation/RESULTS.md;
`TARETRACE_SEASONS=3` makes a quick run that only prints them. A run takes some five minutes.
"""

import os
import zlib
from typing import Any

import numpy as np
import polars as pl
import pytest

from tests.support.results_page import VALIDATION, markdown_table, write_figures
from tests.validation.adversarial_seasons import SEASONS as CHANGES
from tests.validation.fit_seasons import MECHANICS, USUAL, FitSeason, fit_season
from tests.validation.planned_seasons import planned
from tests.validation.processes import processes
from tests.validation.varied_seasons import varied
from transforms.advice.cost import soil_cost_per_t
from transforms.arrays import Array, to_float
from transforms.config.response_catalogue import DIRT
from transforms.config.settings_catalogue import Catalogue, load_catalogue
from transforms.config.workspace import Prices
from transforms.model.effects import cell_rows, effects
from transforms.model.estimate import fit_response
from transforms.model.fit_result import ResponseFit
from transforms.model.planned_variation import VARIED, is_by_lot
from transforms.model.response_scale import ratio_scale

PAGE_SEASONS = 20
SEASONS = int(os.environ.get("TARETRACE_SEASONS", PAGE_SEASONS))
WORLDS = (
    "ordinary",
    "hidden dirt within visits, reaction 30 %",
    "hidden dirt within visits, full reaction",
    "rare movers",
)
BROKEN = WORLDS[1:]
MIN_COVERED, MIN_CERTAIN, MAX_COST_PER_T = 0.93, 60.0, 0.02
HAUL_KM = 20.0


def true_cells(fit: ResponseFit, season: FitSeason, catalogue: Catalogue) -> pl.DataFrame:
    """Return the reported cells of wetness and soil with their true effects, on the log scale."""
    order = fit.rows["load_id"].str.slice(1).cast(pl.Int64).to_numpy()
    truth = [
        (setting, wet, soil, float(log_change[order][inside].mean()))
        for (wet, soil), inside in cell_rows(fit).items()
        if inside.any()
        for setting, log_change in season.effect.items()
    ]
    key = ["setting", "wetness_class", "soil_class"]
    known = pl.DataFrame(truth, schema=[*key, "truth"], orient="row", infer_schema_length=None)
    table = effects(fit, catalogue, 30)
    value, low, high = ((pl.col(c) / 100).log1p() for c in ("change_pct", "lo95", "hi95"))
    shown = table.drop_nulls("change_pct").join(known, on=key, nulls_equal=True)
    return shown.with_columns(
        covered=pl.col("truth").is_between(low, high), estimate=value, width=high - low, cells=pl.lit(table.height)
    )


def judged_cells(season: FitSeason, catalogue: Catalogue) -> dict[str, float]:
    """Return figures of the effects of a season's fit: all cells of wetness and soil.

    Args:
        season: the season.
        catalogue: settings of the fit.
    """
    fit = fit_response(season.facts, DIRT, catalogue, 0.1)
    assert fit is not None
    known = true_cells(fit, season, catalogue)
    certain = known.filter(pl.col("p_value") < 0.05)
    return {
        "cells": known["cells"][0],
        "shown": known.height,
        "covered": float(known["covered"].sum()),
        "certain": certain.height,
        "wrong": float(certain.select((pl.col("truth") * pl.col("change_pct") < 0).sum()).item()),
    }


def soil_cost(season: FitSeason, log_change: Array) -> float:
    """Return what a change of log dirt costs on average, in money per tonne of clean beet at the default prices."""
    ratio = np.exp(ratio_scale(season.facts[DIRT].to_numpy()))
    return float(np.mean(ratio - ratio * np.exp(-log_change))) * soil_cost_per_t(HAUL_KM, Prices())


def judged(job: int) -> list[dict[str, Any]]:
    """Return the figures of one season in each world, with and without designed variation."""
    catalogue, rows = load_catalogue(), []
    season = fit_season(8200 + job, list(MECHANICS)[job % len(MECHANICS)], catalogue)
    for world in WORLDS:
        plain = CHANGES[world](season, catalogue, np.random.default_rng([job, zlib.crc32(world.encode())]))
        by_lot, log_change = varied(plain, catalogue, np.random.default_rng([job, 7]))
        rows.append({"world": world, "is_varied": False, "cost": 0.0, **judged_cells(plain, catalogue)})
        rows.append(
            {
                "world": world,
                "is_varied": True,
                "cost": soil_cost(by_lot, log_change),
                **judged_cells(by_lot, catalogue),
            }
        )
    return rows


def coverage(rows: pl.DataFrame) -> float:
    """Return the share of the shown cells whose interval contains the truth."""
    return to_float(rows["covered"].sum()) / to_float(rows["shown"].sum())


@pytest.mark.slow
def test_variation_by_lot_shows_what_operators_hide():
    with processes() as pool:
        found = pl.DataFrame([row for rows in pool.map(judged, range(SEASONS)) for row in rows])
    table = []
    for (world, is_varied), own in found.group_by("world", "is_varied", maintain_order=True):
        cells = [f"{to_float(own[c].mean()):.0f}" for c in ("cells", "shown", "certain")]
        share = to_float(own["wrong"].sum()) / max(to_float(own["certain"].sum()), 1)
        cost = f"{to_float(own['cost'].mean()):.4f}" if is_varied else ""
        table.append([str(world), "yes" if is_varied else "no", *cells, f"{coverage(own):.3f}", f"{share:.4f}", cost])
    heads = ["season", "varied", "cells", "with an effect", "certain", "covered", "wrong sign among certain", "cost"]
    lines = [
        *markdown_table(heads, table),
        "",
        "Cost: soil per tonne of clean beet, in money at the default prices.",
    ]
    write_figures(VALIDATION, "designed variation", lines, f"{SEASONS} seasons", only_print=SEASONS != PAGE_SEASONS)
    for world in BROKEN:
        own = found.filter((pl.col("world") == world) & pl.col("is_varied"))
        assert coverage(own) >= MIN_COVERED, world
        assert to_float(own["certain"].mean()) >= MIN_CERTAIN, world
        assert to_float(own["cost"].mean()) <= MAX_COST_PER_T, world


FEW = {2: 4, 3: 3, 4: 3}
"""Number of settings that are varied -> on each day of this number of days."""
FEW_SEASONS = 8


def few_settings(job: int) -> list[dict[str, Any]]:
    """Return the cells of few settings varied now and then in a season with full reaction, with and without (5.7)."""
    catalogue, rows = load_catalogue(), []
    season = fit_season(8500 + job, list(MECHANICS)[job % len(MECHANICS)], catalogue)
    plain = CHANGES[BROKEN[1]](season, catalogue, np.random.default_rng([job, 5]))
    for k, every in FEW.items():
        names = tuple(np.random.default_rng([job, k]).permutation(list(USUAL))[:k].tolist())
        by_lot, _ = varied(plain, catalogue, np.random.default_rng([job, 7]), names, every=every)
        fit = fit_response(by_lot.facts, DIRT, catalogue, 0.1)
        assert fit is not None
        n = float(np.mean([is_by_lot(fit.rows, name).sum() for name in names]))
        for is_corrected in (True, False):
            if not is_corrected:
                fit.memo["correction by lot"] = None
            cells = true_cells(fit, by_lot, catalogue).filter(pl.col("setting").is_in(names))
            error = cells["estimate"] - cells["truth"]
            rows.append(
                {"settings": k, "is_corrected": is_corrected, "loads": n, "shown": cells.height,
                 "covered": cells["covered"].sum(), "width": cells["width"].sum(), "square": (error**2).sum()}
            )  # fmt: skip
    return rows


@pytest.mark.slow
def test_few_settings_by_lot_are_covered_with_narrower_intervals():
    with processes() as pool:
        found = pl.DataFrame([row for rows in pool.map(few_settings, range(FEW_SEASONS)) for row in rows])
    key = ["settings", "is_corrected"]
    sums = found.group_by(key, maintain_order=True).agg(pl.col("loads").mean(), pl.exclude(*key, "loads").sum())
    table = [
        [str(r["settings"]), f"{r['loads']:.0f}", "(5.7)" if r["is_corrected"] else "allowance", str(r["shown"]),
         f"{r['covered'] / r['shown']:.3f}", f"{r['width'] / r['shown']:.4f}", f"{(r['square'] / r['shown'])**0.5:.4f}"]
        for r in sums.iter_rows(named=True)
    ]  # fmt: skip
    heads = ["settings varied", "loads by lot each", "intervals", "cells", "covered", "mean width", "error (rms)"]
    write_figures(VALIDATION, "few settings by lot", markdown_table(heads, table), f"{FEW_SEASONS} seasons")
    for r, other in (
        sums.filter("is_corrected")
        .join(sums.filter(~pl.col("is_corrected")), on="settings")
        .select(
            pl.struct("covered", "shown", "width", "square"), pl.struct("width_right", "square_right").alias("other")
        )
        .iter_rows()
    ):
        assert r["covered"] >= MIN_COVERED * r["shown"]
        assert r["width"] < other["width_right"]
        assert r["square"] < other["square_right"]


PRODUCT_SEASONS = 5
PRODUCT_WORLDS = BROKEN[1:]


def judged_plans(job: int) -> list[dict[str, Any]]:
    """Return the figures of one season with variation as the product plans it from the fifth day on."""
    catalogue, rows = load_catalogue(), []
    season = fit_season(8200 + job, list(MECHANICS)[job % len(MECHANICS)], catalogue)
    for world in PRODUCT_WORLDS:
        plain = CHANGES[world](season, catalogue, np.random.default_rng([job, zlib.crc32(world.encode())]))
        out, log_change = planned(plain, catalogue, np.random.default_rng([job, 9]))
        loads = out.facts[VARIED].drop_nulls().str.split("|").list.len().sum()
        figures = {"loads": float(loads), "cost": soil_cost(out, log_change), **judged_cells(out, catalogue)}
        rows.append({"world": world, "plain": judged_cells(plain, catalogue)["certain"], **figures})
    return rows


@pytest.mark.slow
def test_variation_planned_by_the_product_shows_what_operators_hide():
    with processes() as pool:
        found = pl.DataFrame([row for rows in pool.map(judged_plans, range(PRODUCT_SEASONS)) for row in rows])
    table = []
    for (world,), own in found.group_by("world", maintain_order=True):
        cells = [f"{to_float(own[c].mean()):.0f}" for c in ("loads", "cells", "shown", "certain", "plain")]
        share = to_float(own["wrong"].sum()) / max(to_float(own["certain"].sum()), 1)
        table.append(
            [str(world), *cells, f"{coverage(own):.3f}", f"{share:.4f}", f"{to_float(own['cost'].mean()):.4f}"]
        )
    heads = ["season", "settings of loads by lot", "cells", "with an effect", "certain", "certain without", "covered",
             "wrong sign among certain", "cost"]  # fmt: skip
    write_figures(VALIDATION, "variation by the product", markdown_table(heads, table), f"{PRODUCT_SEASONS} seasons")
    for world in PRODUCT_WORLDS:
        own = found.filter(pl.col("world") == world)
        assert coverage(own) >= MIN_COVERED, world
        assert to_float(own["certain"].mean()) >= MIN_CERTAIN, world
        assert to_float(own["cost"].mean()) <= MAX_COST_PER_T, world
