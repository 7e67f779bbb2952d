"""Mean of values that come in clusters, with an interval that does not take members of a cluster for independent.

The variance of the mean is cluster-robust (Liang and Zeger 1986), with G / (G - 1) for G clusters and Student's t with
G - 1 degrees of freedom. `sql/macros/cluster_half.sql` is the same for queries of pages.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy.stats import t as student

from transforms.arrays import to_float

VISIT = ("machine_id", "field_id", "shift_date")
"""Loads and plots of one machine, day and field share ground, weather and settings."""


@dataclass(frozen=True)
class ClusterMean:
    """A mean with half its 95 % interval.

    Attributes:
        mean: mean of the values; None if there are none.
        half: half the interval; None with fewer than two clusters.
        n: number of values.
        clusters: number of clusters with a value.
    """

    mean: float | None
    half: float | None
    n: int
    clusters: int


def cluster_mean(
    rows: pl.DataFrame, column: str, cluster: tuple[str, ...] = VISIT, weight: str | None = None
) -> ClusterMean:
    """Return the mean of a column over its non-null rows; rows alike in `cluster` are one cluster.

    Args:
        rows: one row per value, with the columns named.
        column: numeric column to average; the mean and the interval have its unit.
        cluster: columns that identify a cluster.
        weight: column of positive weights, such as the number of roots behind a share; None for equal ones.
    """
    known = rows.drop_nulls(column)
    n = known.height
    if not n:
        return ClusterMean(None, None, 0, 0)
    w = known[weight].cast(pl.Float64) if weight else pl.repeat(1.0, n, eager=True)
    mean = to_float((known[column] * w).sum()) / float(w.sum())
    known = known.with_columns(((pl.col(column) - mean) * w).alias("left"))
    left = known.group_by(cluster, maintain_order=True).agg(pl.col("left").sum())["left"]
    groups = left.len()
    if groups < 2:
        return ClusterMean(mean, None, n, groups)
    error = float(np.sqrt(groups / (groups - 1) * float((left**2).sum()))) / float(w.sum())
    return ClusterMean(mean, float(student.ppf(0.975, groups - 1)) * error, n, groups)
