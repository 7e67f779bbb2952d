"""Slow proof: over many invented seasons of three mechanics, are effects and their intervals what they claim to be?

`pytest -m slow tests/validation/test_recovery.py -s` writes the figures of tests/validation/RESULTS.md;
`TARETRACE_SEASONS=12` makes a quick run that only prints them.
"""

import os

import polars as pl
import pytest

from tests.support.results_page import VALIDATION, markdown_table, write_figures
from tests.validation.fit_seasons import MECHANICS, fit_season
from tests.validation.processes import processes
from tests.validation.recovery_cells import KEY, Heterogeneity, coverage_heterogeneity, judged, naive_slope
from transforms.arrays import to_float
from transforms.config.response_catalogue import DIRT
from transforms.config.settings_catalogue import load_catalogue
from transforms.model.checks.validation import out_of_field
from transforms.model.effects import cell_rows, effects
from transforms.model.estimate import fit_response

PAGE_SEASONS = 105
SEASONS = int(os.environ.get("TARETRACE_SEASONS", PAGE_SEASONS))
BOOSTED_EVERY = 4
"""Gradient boosting is slow: every fourth season is also predicted out of field."""
CLASSES = ["dry", "moist", "wet"]


def cells(job: int) -> tuple[pl.DataFrame, dict[str, object] | None]:
    """Effects of one season per setting and wetness class beside their truth and the naive slopes."""
    catalogue = load_catalogue()
    mechanic = list(MECHANICS)[job % len(MECHANICS)]
    season = fit_season(7000 + job, mechanic, catalogue)
    fit = fit_response(season.facts, DIRT, catalogue, 0.1)
    assert fit is not None
    order = fit.rows["load_id"].str.slice(1).cast(pl.Int64).to_numpy()
    truth, naive = [], []
    for (wet, soil), inside in cell_rows(fit).items():
        if soil is not None:
            continue
        for name, change in season.effect.items():
            truth.append((name, wet, float(change[order][inside].mean())))
            x, y = fit.x[inside, fit.setting_column(name)], fit.z[inside]
            if x.size > 30:
                naive.append((name, wet, *naive_slope(x, y)))
    truths = pl.DataFrame(truth, schema=[*KEY, "truth"], orient="row")
    naives = pl.DataFrame(naive, schema=[*KEY, "naive", "naive_se"], orient="row")
    table = effects(fit, catalogue, 30).filter(pl.col("soil_class").is_null()).drop_nulls("change_pct")
    table = table.join(truths, on=KEY, nulls_equal=True).join(naives, on=KEY, nulls_equal=True)
    table = table.with_columns(pl.lit(job).alias("season"), pl.lit(mechanic).alias("mechanic"))
    boosted = None
    if job % BOOSTED_EVERY == 0:
        found = out_of_field(fit)
        assert found is not None
        boosted = {"mechanic": mechanic, "ratio": found.boosting.ratio, "last": found.last_load.ratio}
    return table, boosted


def table_rows(table: pl.DataFrame) -> list[list[str]]:
    """Return the rows of the table of RESULTS.md."""
    out = []
    groups = [(m, w) for m in [*table["mechanic"].unique().sort(), "all"] for w in [*CLASSES, "all"]]
    for mechanic, wet in groups:
        rows = table if mechanic == "all" else table.filter(pl.col("mechanic") == mechanic)
        rows = rows if wet == "all" else rows.filter(pl.col("wetness_class") == wet)
        certain, nulls = rows.filter("certain"), rows.filter("null")
        false = ["", ""]
        if nulls.height:
            false = [f"{to_float(nulls['false'].mean()):.3f}", f"{to_float(nulls['naive_false'].mean()):.2f}"]
        held, naive_held, naive_wrong = (to_float(rows[c].mean()) for c in ("held", "naive_held", "naive_wrong"))
        out.append(
            [
                mechanic,
                wet,
                f"{rows.height}",
                f"{held:.3f}",
                f"{naive_held:.2f}",
                f"{certain['wrong'].sum()} of {certain.height}",
                f"{naive_wrong:.2f}",
                *false,
            ]
        )
    return out


def boosting_sentence(boosted: pl.DataFrame) -> str:
    """Return a sentence on the prediction of unseen fields."""
    by_mechanic = boosted.group_by("mechanic").agg(
        pl.len(), pl.col("ratio", "last").mean(), pl.col("ratio").max().alias("max_ratio")
    )
    found = "; ".join(
        f"{r['mechanic']} {r['ratio']:.3f} (maximum {r['max_ratio']:.3f}, {r['len']} seasons) and {r['last']:.3f}"
        for r in by_mechanic.sort("mechanic").iter_rows(named=True)
    )
    return (
        "Error on unseen fields relative to gradient boosting on the same columns, every fourth season, and relative to"
        f' "as the machine\'s last load": {found}.'
    )


def report(table: pl.DataFrame, boosted: pl.DataFrame, equal: Heterogeneity) -> None:
    """Write the figures of RESULTS.md."""
    head = [
        "mechanic",
        "wetness",
        "cells",
        "covered",
        "naive covered",
        "wrong signs, q < .05",
        "naive wrong",
        "false among nulls",
        "naive, false among nulls",
    ]
    alike = (
        f"Test that all {equal.df + 1} cells (mechanic x setting x wetness) are covered equally often: chi-square"
        f" {equal.chi_square:.1f}, p = {equal.p_value:.4f} by permutation within seasons."
    )
    lines = [*markdown_table(head, table_rows(table)), "", alike, "", boosting_sentence(boosted)]
    seasons, loads = table["season"].n_unique(), to_float(table["n"].mean())
    measured = f"{seasons} seasons, {loads:.0f} loads per cell"
    write_figures(VALIDATION, "recovery of effects", lines, measured, only_print=SEASONS != PAGE_SEASONS)


@pytest.mark.slow
def test_effects_are_recovered():
    with processes() as pool:
        done = list(pool.map(cells, range(SEASONS)))
    table = judged(pl.concat([t for t, _ in done]))
    table = table.drop_nulls("wetness_class")
    boosted = pl.DataFrame([b for _, b in done if b is not None])
    equal = coverage_heterogeneity(table, ["mechanic", *KEY])
    report(table, boosted, equal)
    assert 0.93 <= table["held"].mean() <= 0.97
    assert equal.p_value > 0.001
    assert table.filter("certain")["wrong"].mean() < 0.01
    assert table.filter("null")["false"].mean() <= 0.07
    assert boosted["ratio"].mean() <= 1.02
    assert table["naive_held"].mean() < 0.6
