"""Slow proof: are effects on root loss, topping and damage, and their intervals, what they claim to be?

`pytest -m slow tests/validation/test_recovery_responses.py -s` writes the figures of tests/validation/RESULTS.md;
`TARETRACE_SEASONS=6` makes a quick run that only prints them. A run takes some five minutes.
"""

import os

import numpy as np
import polars as pl
import pytest

from tests.support.results_page import VALIDATION, markdown_table, write_figures
from tests.validation.processes import processes
from tests.validation.quality_mechanics import QUALITY_MECHANICS
from tests.validation.quality_seasons import quality_season
from tests.validation.recovery_cells import KEY, coverage_heterogeneity, judged, naive_slope
from transforms.arrays import Array, to_float
from transforms.config.response_catalogue import OVER_TOPPED, RESPONSES, ROOT_LOSS, UNDER_TOPPED
from transforms.config.settings_catalogue import load_catalogue
from transforms.model.effects import cell_rows, effects
from transforms.model.estimate import fit_response
from transforms.model.fit_result import ResponseFit
from transforms.model.response_scale import SMALL_LOSS_T_HA, ratio_scale

PAGE_SEASONS = 105
SEASONS = int(os.environ.get("TARETRACE_SEASONS", PAGE_SEASONS))
MIN_LOADS = 30
LAB_CV_AT_25_KG = 0.1
MIN_COVERED, MAX_COVERED, BENT_MIN, DEPTH_MIN, MIN_P = 0.93, 0.98, 0.88, 0.91, 0.001
"""Bounds of coverage: the aim is .93 to .97. RESULTS.md states where it is missed."""
BENT = (UNDER_TOPPED, OVER_TOPPED)
"""Responses whose effects differ much between rows: the fit weights the rows, the truth does not."""


def _observed_scale(fit: ResponseFit) -> Array:
    """Return the measured values of a fit's rows near its scale, as someone without a model would transform them."""
    spec = RESPONSES[fit.response]
    value = fit.rows[spec.observed].cast(pl.Float64).to_numpy()
    if spec.scale == "logit_count":
        size = fit.rows[str(spec.size)].to_numpy()
        return np.asarray(np.log((value + 0.5) / (size - value + 0.5)))
    return ratio_scale(value) if spec.scale == "log_ratio" else np.log(value + SMALL_LOSS_T_HA)


def _true_cells(fit: ResponseFit, effect: dict[str, Array]) -> pl.DataFrame:
    """Return the true and the naive effect of each setting in each wetness class over the rows of a fit.

    `truth_weighted` weights the rows as the fit does, by the inverse of their variance.
    """
    load, y, out = fit.rows["load"].to_numpy(), _observed_scale(fit), []
    weight = 1 / (fit.s2 + fit.known)
    for (wet, soil), inside in cell_rows(fit).items():
        if soil is not None or wet is None or inside.sum() < MIN_LOADS:
            continue
        for name in (s.name for s in fit.frame.settings):
            slope = naive_slope(fit.x[inside, fit.setting_column(name)], y[inside])
            own = effect[name][load][inside]
            out.append((name, wet, float(own.mean()), float(np.average(own, weights=weight[inside])), *slope))
    return pl.DataFrame(out, schema=[*KEY, "truth", "truth_weighted", "naive", "naive_se"], orient="row")


def cells(job: int) -> pl.DataFrame:
    """Return the effects of one season per response, setting and wetness class beside their truth."""
    catalogue, mechanic = load_catalogue(), list(QUALITY_MECHANICS)[job % len(QUALITY_MECHANICS)]
    season, out = quality_season(7600 + job, mechanic, catalogue), []
    for response, facts in season.facts.items():
        fit = fit_response(facts, response, catalogue, LAB_CV_AT_25_KG)
        assert fit is not None, (job, response)
        table = effects(fit, catalogue, MIN_LOADS).filter(pl.col("soil_class").is_null()).drop_nulls("change_pct")
        out.append(table.join(_true_cells(fit, season.effect[response]), on=KEY))
    return pl.concat(out).with_columns(season=pl.lit(job), mechanic=pl.lit(mechanic))


def _figures(rows: pl.DataFrame) -> list[str]:
    """Return the figures of some cells."""
    certain, nulls = rows.filter("certain"), rows.filter("null")
    false = [f"{to_float(nulls[c].mean()):.3f}" if nulls.height else "" for c in ("false", "naive_false")]
    return [
        f"{rows.height}",
        *(f"{to_float(rows[c].mean()):.3f}" for c in ("held", "held_weighted")),
        f"{to_float(rows['naive_held'].mean()):.2f}",
        f"{certain['wrong'].sum()} of {certain.height}",
        *false,
        f"{certain['null'].sum()} of {certain.height}",
    ]


HEAD = [
    "response",
    "mechanic",
    "cells",
    "covered",
    "covered, rows weighted as fitted",
    "naive covered",
    "wrong signs, q < .05",
    "false among nulls",
    "naive, false among nulls",
    "nulls among q < .05",
]


@pytest.mark.slow
def test_effects_on_every_response_are_recovered():
    with processes() as pool:
        table = judged(pl.concat(pool.map(cells, range(SEASONS))))
    low, high = ((pl.col(c) / 100).log1p() for c in ("lo95", "hi95"))
    table = table.with_columns(pl.col("truth_weighted").is_between(low, high).alias("held_weighted"))
    rows, tests = [], []
    for response in [r for r in RESPONSES if r in table["response"].unique()]:
        own = table.filter(pl.col("response") == response)
        of = {m: own.filter(pl.col("mechanic") == m) for m in QUALITY_MECHANICS} | {"all": own}
        rows += [[response, name, *_figures(part)] for name, part in of.items()]
        found, fitted = (coverage_heterogeneity(own, ["mechanic", *KEY], held) for held in ("held", "held_weighted"))
        tests.append({"response": response, **found._asdict(), "p_weighted": fitted.p_value})
    rows.append(["all", "all", *_figures(table)])
    equal = [
        [t["response"], f"{t['chi_square']:.1f}", f"{t['df']}", f"{t['p_value']:.4f}", f"{t['p_weighted']:.4f}"]
        for t in tests
    ]
    head = ["response", "chi-square of equal coverage", "df", "p by permutation", "p, rows weighted as fitted"]
    lines = [*markdown_table(HEAD, rows), "", *markdown_table(head, equal)]
    write_figures(
        VALIDATION, "recovery of all responses", lines, f"{SEASONS} seasons", only_print=SEASONS != PAGE_SEASONS
    )
    pooled = table.group_by("response").agg(pl.col("held", "held_weighted").mean())
    low = pooled.filter(pl.col("response") == OVER_TOPPED)["held"].item()
    assert low >= BENT_MIN
    assert pooled.filter(pl.col("response") != OVER_TOPPED)["held"].is_between(MIN_COVERED, MAX_COVERED).all(), pooled
    assert pooled["held_weighted"].is_between(MIN_COVERED, MAX_COVERED).all(), pooled
    assert min(t["p_weighted"] for t in tests if t["response"] != ROOT_LOSS) > MIN_P
    assert min(t["p_value"] for t in tests if t["response"] not in (*BENT, ROOT_LOSS)) > MIN_P
    is_depth = pl.col("setting") == "share_depth_cm"
    losses = table.filter(pl.col("response") == ROOT_LOSS)
    assert coverage_heterogeneity(losses.filter(~is_depth), ["mechanic", *KEY]).p_value > MIN_P
    assert to_float(losses.filter(is_depth)["held"].mean()) >= DEPTH_MIN
    assert to_float(table.filter("certain")["wrong"].mean()) < 0.01
    assert to_float(table.filter("null")["false"].mean()) <= 0.07
    assert to_float(table.filter("certain")["null"].mean()) <= 0.07
    assert to_float(table["naive_held"].mean()) < 0.7
