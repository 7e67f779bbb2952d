"""Judgement of estimated effects by cell: covered, wrong in sign, false; and equal coverage of all cells."""

from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.arrays import Array, to_float

KEY = ["setting", "wetness_class"]
PERMUTATIONS = 4000


class Heterogeneity(NamedTuple):
    """Test that all groups of cells are covered equally often: chi-square, its degrees of freedom and p."""

    chi_square: float
    df: int
    p_value: float


def judged(table: pl.DataFrame) -> pl.DataFrame:
    """Add to each cell if its interval covers the truth, and what it gets wrong.

    Args:
        table: rows of `effect` with `truth`, `naive` and `naive_se`, all three on the fitted scale.

    Returns:
        The rows with `held`, `wrong`, `certain`, `null`, `false`, `naive_held`, `naive_wrong`, `naive_false`.
    """
    estimate, low, high = ((pl.col(c) / 100).log1p() for c in ("change_pct", "lo95", "hi95"))
    truth, naive_t = pl.col("truth"), pl.col("naive") / pl.col("naive_se")
    null = truth.abs() < 1e-12
    certain, naive_certain = pl.col("q_value") < 0.05, naive_t.abs() > 1.96
    return table.with_columns(
        truth.is_between(low, high).alias("held"),
        (certain & (estimate * truth < 0)).alias("wrong"),
        certain.alias("certain"),
        null.alias("null"),
        (null & (pl.col("p_value") < 0.05)).alias("false"),
        ((pl.col("naive") - truth).abs() < 1.96 * pl.col("naive_se")).alias("naive_held"),
        (naive_certain & (pl.col("naive") * truth < 0)).alias("naive_wrong"),
        (null & naive_certain).alias("naive_false"),
    )


def _chi_square(held: Array, group: NDArray[np.int64], size: NDArray[np.int64]) -> Array:
    """Return the chi-square of equal coverage of each column of `held`, shape (k,).

    Args:
        held: 1 if a cell is covered, shape (cells, k).
        group: group of each cell, shape (cells,).
        size: cells of each group, shape (groups,).
    """
    share = held.mean(axis=0)
    by_group = np.zeros((size.size, held.shape[1]))
    np.add.at(by_group, group, held)
    spread = ((by_group - size[:, None] * share) ** 2 / size[:, None]).sum(axis=0)
    return np.asarray(spread / np.maximum(share * (1 - share), 1e-12))


def coverage_heterogeneity(table: pl.DataFrame, groups: list[str], held: str = "held") -> Heterogeneity:
    """Test that all groups of cells are covered equally often.

    Cells of one season share a fit, and few of a group are not covered, so that the chi-square does not follow its
    tabled distribution: p is that of permutations of the cells within each season.

    Args:
        table: judged cells, with `season`.
        groups: columns that name a group, such as setting and wetness class.
        held: column that says if a cell is covered.
    """
    order = table.sort("season", maintain_order=True)
    covered = order[held].cast(pl.Float64).to_numpy()
    group = order.select(pl.concat_str(groups, separator="|").rank("dense").cast(pl.Int64) - 1).to_series().to_numpy()
    season, size = order["season"].rank("dense").to_numpy(), np.bincount(group)
    rng = np.random.default_rng(1)
    found, drawn = to_float(_chi_square(covered[:, None], group, size)[0]), []
    for _ in range(PERMUTATIONS // 100):
        keys = season[:, None] + rng.random((covered.size, 100))
        drawn.append(_chi_square(covered[np.argsort(keys, axis=0)], group, size))
    as_extreme = int((np.concatenate(drawn) >= found - 1e-9).sum())
    return Heterogeneity(found, size.size - 1, (1 + as_extreme) / (1 + PERMUTATIONS))


def naive_slope(x: Array, y: Array) -> tuple[float, float]:
    """Return the slope of a regression on one setting alone, and its standard error.

    Args:
        x: the setting, shape (n,).
        y: the response on its fitted scale, shape (n,).
    """
    slope, cov = np.polyfit(x, y, 1, cov=True)
    return float(slope[0]), float(np.sqrt(cov[0, 0]))
