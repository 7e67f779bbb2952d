"""Slow proof: over many invented seasons of three mechanics, are effects and their intervals what they claim to be?

`pytest -m slow tests/validation/test_recovery.py -s` prints the table of tests/validation/RESULTS.md;
`TARETRACE_SEASONS=12` makes a quick run of it.
"""

import os

import numpy as np
import polars as pl
import pytest

from tests.validation.fit_seasons import MECHANICS, fit_season
from tests.validation.processes import processes
from transforms.arrays import to_float
from transforms.config.settings_catalogue import DIRT, load_catalogue
from transforms.model.checks.validation import out_of_field
from transforms.model.effects import cell_rows, effects
from transforms.model.estimate import fit_response

SEASONS = int(os.environ.get("TARETRACE_SEASONS", "105"))
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
                slope, cov = np.polyfit(x, y, 1, cov=True)
                naive.append((name, wet, float(slope[0]), float(np.sqrt(cov[0, 0]))))
    key = ["setting", "wetness_class"]
    truths = pl.DataFrame(truth, schema=[*key, "truth"], orient="row")
    naives = pl.DataFrame(naive, schema=[*key, "naive", "naive_se"], orient="row")
    table = effects(fit, catalogue, 30).filter(pl.col("soil_class").is_null()).drop_nulls("change_pct")
    table = table.join(truths, on=key, nulls_equal=True).join(naives, on=key, nulls_equal=True)
    table = table.with_columns(pl.lit(job).alias("season"), pl.lit(mechanic).alias("mechanic"))
    boosted = None
    if job % BOOSTED_EVERY == 0:
        found = out_of_field(fit)
        assert found is not None
        boosted = {"mechanic": mechanic, "ratio": found.ratio, "last": found.model / found.last_load}
    return table, boosted


def judged(table: pl.DataFrame) -> pl.DataFrame:
    """Add what each cell's interval held, and what it got wrong."""
    estimate, low, high = ((pl.col(c) / 100).log1p() for c in ("change_pct", "lo95", "hi95"))
    null = pl.col("truth").abs() < 1e-12
    return table.with_columns(
        pl.col("truth").is_between(low, high).alias("held"),
        ((pl.col("naive") - pl.col("truth")).abs() < 1.96 * pl.col("naive_se")).alias("naive_held"),
        ((pl.col("q_value") < 0.05) & (estimate * pl.col("truth") < 0)).alias("wrong"),
        (((pl.col("naive") / pl.col("naive_se")).abs() > 1.96) & (pl.col("naive") * pl.col("truth") < 0)).alias(
            "naive_wrong"
        ),
        (pl.col("q_value") < 0.05).alias("certain"),
        null.alias("null"),
        (null & (pl.col("p_value") < 0.05)).alias("false"),
        (null & ((pl.col("naive") / pl.col("naive_se")).abs() > 1.96)).alias("naive_false"),
        ((high - low) / 2 / 1.96).alias("se"),
        (estimate - pl.col("truth")).alias("error"),
    )


def report(table: pl.DataFrame, boosted: pl.DataFrame) -> None:
    """Print the table of RESULTS.md."""
    print(
        f"\n{table['season'].n_unique()} seasons, {table.height} cells, {to_float(table['n'].mean()):.0f} loads a cell"
    )
    print(
        "| mechanic | wetness | cells | held | least setting | naive held | wrong signs, q < .05 | naive wrong |"
        " false among nulls | naive false |"
    )
    groups = [(m, w) for m in [*table["mechanic"].unique().sort(), "all"] for w in [*CLASSES, "all"]]
    for mechanic, wet in groups:
        rows = table if mechanic == "all" else table.filter(pl.col("mechanic") == mechanic)
        rows = rows if wet == "all" else rows.filter(pl.col("wetness_class") == wet)
        least = rows.group_by("setting").agg(pl.col("held").mean()).sort("held").row(0)
        certain, nulls = rows.filter("certain"), rows.filter("null")
        false = " | "
        if nulls.height:
            false = f"{to_float(nulls['false'].mean()):.3f} | {to_float(nulls['naive_false'].mean()):.2f}"
        held, naive_held, naive_wrong = (to_float(rows[c].mean()) for c in ("held", "naive_held", "naive_wrong"))
        print(
            f"| {mechanic} | {wet} | {rows.height} | {held:.3f} | {least[0]} {least[1]:.3f} |"
            f" {naive_held:.2f} | {certain['wrong'].sum()} of {certain.height} |"
            f" {naive_wrong:.2f} | {false} |"
        )
    for row in (
        boosted.group_by("mechanic")
        .agg(pl.len(), pl.col("ratio", "last").mean(), pl.col("ratio").max().alias("most"))
        .sort("mechanic")
        .iter_rows(named=True)
    ):
        print(
            f"{row['mechanic']}: error out of field {row['ratio']:.3f} times boosting's (most {row['most']:.3f},"
            f" {row['len']} seasons), {row['last']:.3f} times the last load's"
        )


@pytest.mark.slow
def test_effects_are_recovered():
    with processes() as pool:
        done = list(pool.map(cells, range(SEASONS)))
    table = judged(pl.concat([t for t, _ in done]))
    table = table.drop_nulls("wetness_class")
    boosted = pl.DataFrame([b for _, b in done if b is not None])
    report(table, boosted)
    by_cell = table.group_by("setting", "wetness_class").agg(pl.col("held").mean(), pl.len())
    assert 0.93 <= table["held"].mean() <= 0.97
    assert by_cell["held"].min() >= 0.90
    assert table.filter("certain")["wrong"].mean() < 0.01
    assert table.filter("null")["false"].mean() <= 0.07
    assert boosted["ratio"].mean() <= 1.02
    assert table["naive_held"].mean() < 0.6
