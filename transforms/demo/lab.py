"""Laboratory results and dig-behind audits of the demo season, with measurement error."""

import numpy as np
import polars as pl
from numpy.typing import NDArray

Array = NDArray[np.float64]

LAB_CV_AT_25_KG = 0.10
"""Relative standard deviation of the dirt of a 25 kg sample (invented: no published figure was found)."""


def lab_results(
    rng: np.random.Generator, tickets: pl.DataFrame, trace: pl.DataFrame, bins: pl.DataFrame
) -> pl.DataFrame:
    """Return lab results of all loads with measurement error and true values; about half are marked `sampled`.

    Args:
        rng: the random generator of the season.
        tickets: all weigh tickets.
        trace: the true share of each bin in each load.
        bins: the true bins, with `dirt_ratio` and `top_tare_pct`.
    """
    truth = (
        trace.join(bins.select("bin", "dirt_ratio", "top_tare_pct"), on="bin")
        .group_by("load_id", maintain_order=True)
        .agg(
            (pl.col("share") * pl.col("dirt_ratio") / (1 + pl.col("dirt_ratio"))).sum().alias("dirt_fraction"),
            (pl.col("share") * pl.col("top_tare_pct")).sum().alias("true_top_pct"),
        )
    )
    table = tickets.select("load_id", "weighed_s").join(truth, on="load_id", how="left").sort("load_id")
    n = len(table)
    kg = np.round(rng.uniform(18, 34, n), 1)
    ratio = (table["dirt_fraction"] / (1 - table["dirt_fraction"])).to_numpy()
    measured = ratio * np.exp(rng.normal(0, LAB_CV_AT_25_KG * np.sqrt(25 / kg)))
    return table.with_columns(
        pl.Series("sampled", rng.random(n) < 0.52),
        pl.Series("dirt_tare_pct", np.round(100 * measured / (1 + measured), 2)),
        pl.Series(
            "top_tare_pct", np.round(np.clip(table["true_top_pct"].to_numpy() + rng.normal(0, 0.5, n), 0.2, 20), 2)
        ),
        pl.Series("sugar_pct", np.round(rng.normal(17.6, 0.6, n), 2)),
        pl.Series("potassium_mmol_per_kg", np.round(rng.normal(38, 4, n), 1)),
        pl.Series("sodium_mmol_per_kg", np.round(np.abs(rng.normal(4.5, 1.2, n)), 1)),
        pl.Series("amino_n_mmol_per_kg", np.round(np.abs(rng.normal(13, 3, n)), 1)),
        pl.Series("sample_kg", kg),
    )


BREAK_CLASSES = (
    ("broken_2_4_cm", 3.0, 0.46),
    ("broken_4_6_cm", 5.0, 0.31),
    ("broken_6_8_cm", 7.0, 0.16),
    ("broken_over_8_cm", 9.0, 0.07),
)
"""Break class, its midpoint diameter in cm, and its share of broken roots (invented)."""


def audit_plots(rng: np.random.Generator, bins: pl.DataFrame, root_kg: Array) -> pl.DataFrame:
    """Return audit plots of some machine-days: four to six plots at different hours, counted by break class.

    Counts are Poisson with the mean that gives the true loss.

    Args:
        rng: the random generator of the season.
        bins: the true bins, with `root_loss_t_ha` and `tip_loss_t_ha`.
        root_kg: mean root mass by field index.
    """
    groups, rows = bins.partition_by("machine", "day", "field_index", maintain_order=True), []
    for group in groups:
        if rng.random() > 0.5 or len(group) < 60:
            continue
        rows += _plots_of(rng, group, root_kg)
    if not rows:  # very small seasons may have no audit by chance
        rows = _plots_of(rng, max(groups, key=len), root_kg)
    return pl.DataFrame(rows).sort("audited_s", "machine").with_row_index("n", offset=1)


def _plots_of(rng: np.random.Generator, group: pl.DataFrame, root_kg: Array) -> list[dict[str, object]]:
    """Return the plots behind one machine on one day in one field."""
    rows: list[dict[str, object]] = []
    for i in np.sort(rng.choice(len(group), size=int(rng.integers(4, 7)), replace=False)):
        spot = group.row(int(i), named=True)
        kg = float(root_kg[spot["field_index"]])
        plot_m2 = 60.0
        per_broken = sum(p * 0.03 * (d / 3.0) ** 1.874 for _, d, p in BREAK_CLASSES) * kg
        tonnes_to_kg = plot_m2 / 10_000 * 1000
        broken = spot["tip_loss_t_ha"] * tonnes_to_kg / per_broken
        whole = (spot["root_loss_t_ha"] - spot["tip_loss_t_ha"]) * tonnes_to_kg / (kg * 0.6)
        counts = {f"{name}_count": int(rng.poisson(broken * p)) for name, _, p in BREAK_CLASSES}
        rows.append(
            {
                "machine": spot["machine"],
                "field_index": spot["field_index"],
                "audited_s": spot["bin_s"] + 15.0,
                "plot_m2": plot_m2,
                **counts,
                "whole_roots_count": int(rng.poisson(whole)),
                "root_mass_kg": kg,
                "true_loss_t_ha": spot["root_loss_t_ha"],
            }
        )
    return rows
