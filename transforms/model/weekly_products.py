"""Weekly cross-products by class of measurement variance.

Rows are weighted by s2 / (s2 + v), v the known measurement variance. v is rounded to classes an eighth apart, and each
class is summed separately with weight one, so that another s2 needs no pass over the rows.
"""

from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.arrays import Array
from transforms.mixed_model.blas_threads import one_blas_thread
from transforms.mixed_model.cross_products import CrossProducts, cross_products, subset_products, sum_products
from transforms.model.design_matrix import DesignSpec
from transforms.model.model_columns import Columns, columns
from transforms.model.row_batches import RowBatches, select_rows

CLASS_RATIO = 1.125
"""Ratio of the measurement variances of neighbouring classes."""
Week = dict[int, CrossProducts]
"""Class of measurement variance -> cross-products of the week's rows in it."""


@dataclass(frozen=True)
class WeekJob:
    """Rows of a week to sum.

    Attributes:
        rows: the week's rows.
        frame: design specification of their columns.
        z: fitted scale of the response, shape (n,).
        classes: class of each row's measurement variance, shape (n,).
    """

    rows: pl.DataFrame
    frame: DesignSpec
    z: Array
    classes: NDArray[np.int64]


def variance_class(known: Array) -> NDArray[np.int64]:
    """Return the class of each measurement variance, shape (n,)."""
    return np.asarray(np.round(np.log(np.maximum(known, 1e-8)) / np.log(CLASS_RATIO)), dtype=np.int64)


def class_variance(index: int) -> float:
    """Return the measurement variance of a class.

    >>> class_variance(0) < class_variance(1)
    True
    """
    return float(CLASS_RATIO**index)


def week_products(cols: Columns, z: Array, classes: NDArray[np.int64]) -> Week:
    """Return the cross-products of a week's rows, by class of measurement variance.

    Args:
        cols: columns of the rows.
        z: response, shape (n,).
        classes: class of each row's measurement variance, shape (n,).
    """
    out = {}
    for index in np.unique(classes):
        in_class = classes == index
        part = select_rows(cols, in_class)
        out[int(index)] = cross_products(z[in_class], part.X, part.blocks, part.factors)
    return out


def sum_week(job: WeekJob) -> Week:
    """Return a week's cross-products; one BLAS thread, so that identical hardware gives bit-identical results."""
    with one_blas_thread():
        return week_products(columns(job.rows, job.frame), job.z, job.classes)


def batch_products(batches: RowBatches, z: Array, classes: NDArray[np.int64]) -> Week:
    """Return the cross-products of all rows by class of measurement variance, from columns built once.

    Args:
        batches: the rows in weekly batches with their columns.
        z: response, shape (n,).
        classes: class of each row's measurement variance, shape (n,).
    """
    with one_blas_thread():
        return join_weeks([week_products(cols, z[rows], classes[rows]) for rows, cols in batches])


def with_values(by_class: Week, season: RowBatches, z: Array, classes: NDArray[np.int64]) -> Week:
    """Return the cross-products for other values of z over the same rows; only M'z and z'z are computed again.

    Args:
        by_class: cross-products by class of measurement variance.
        season: rows of these cross-products.
        z: the other values, shape (n,).
        classes: class of each row's measurement variance, shape (n,).
    """
    indices, season_indicators = np.array(list(by_class)), season.factor_indicators
    d, width = next(iter(by_class.values())).d, season_indicators.weeks[0].shape[1]
    dense, factors, yy = np.zeros((d, indices.size)), np.zeros((width, indices.size)), np.zeros(indices.size)
    with one_blas_thread():
        for (rows, cols), indicators in zip(season, season_indicators.weeks, strict=True):
            values = np.where(classes[rows][:, None] == indices, z[rows][:, None], 0.0)
            dense += cols.D.T @ values
            factors += indicators.T @ values
            yy += (values**2).sum(axis=0)
    return {
        k: replace(
            m, r=np.concatenate([dense[:, i], factors[season_indicators.column_positions(m), i]]), yy=float(yy[i])
        )
        for i, (k, m) in enumerate(by_class.items())
    }


def join_weeks(weeks: list[Week]) -> Week:
    """Return the cross-products of several weeks together, joined in their order."""
    return {k: sum_products([w[k] for w in weeks if k in w]) for k in sorted({k for w in weeks for k in w})}


def weight_classes(by_class: Week, s2: float) -> CrossProducts:
    """Return the cross-products of all classes together, each weighted by s2 / (s2 + v).

    Args:
        by_class: cross-products by class of measurement variance v, each with weight one.
        s2: residual variance without the measurement variance, in squared units of z, above 0.
    """
    parts = []
    for index, m in by_class.items():
        w = s2 / (s2 + class_variance(index))
        parts.append(
            CrossProducts(
                DD=w * m.DD,
                FD=w * m.FD,
                FF=w * m.FF,
                r=w * m.r,
                yy=w * m.yy,
                n=m.n,
                p=m.p,
                sum_log_w=m.n * float(np.log(w)),
                blocks=m.blocks,
                factors=m.factors,
                labels=m.labels,
            )
        )
    return sum_products(parts)


def select_columns(
    m: CrossProducts, keep: NDArray[np.int64], labels: list[str], factors: list[str]
) -> tuple[CrossProducts, list[str]]:
    """Return the cross-products of a subset of columns of D and of factors, and the labels of the columns kept.

    Args:
        m: cross-products of all columns.
        keep: columns of D to keep, ascending.
        labels: labels of all columns of D.
        factors: factors to keep.
    """
    return subset_products(m, keep, factors), [labels[i] for i in keep]
