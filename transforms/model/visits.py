"""Visits, the groups within which the effects of settings are estimated, and the levels of grouping columns."""

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.arrays import Array

Levels = tuple[NDArray[np.int64], NDArray[np.str_]]
"""Level of each row, shape (n,), and the labels of the levels, sorted."""


def levels_of(rows: pl.DataFrame, names: tuple[str, ...]) -> Levels:
    """Return each row's level of a combination of columns, shape (n,), and the labels of the levels.

    Args:
        rows: rows with the columns; rows with a null in one of them share the level `None`.
        names: the columns that identify a level; a label joins their values by `|`.
    """
    keys = rows.select(pl.concat_str([pl.col(n).cast(pl.String) for n in names], separator="|")).to_series().to_numpy()
    labels, codes = np.unique(keys.astype(str), return_inverse=True)
    return codes.astype(np.int64), labels


def visits_of(rows: pl.DataFrame) -> NDArray[np.int64]:
    """Return the visit of each row, shape (n,): one machine on one day in one field.

    Loads of a trial belong to the visit as all others: compared within their pairs alone, they would show nothing of
    the other settings.
    """
    return levels_of(rows, ("machine_id", "shift_date", "field_id"))[0]


def visit_means(columns: Array, visit: NDArray[np.int64]) -> Array:
    """Return each column's mean over the row's visit, shape as `columns`.

    Args:
        columns: values of each row, shape (n, k).
        visit: visit of each row, from 0 without gaps, shape (n,).
    """
    count = np.bincount(visit)
    means = [(np.bincount(visit, weights=c) / count)[visit] for c in columns.T]
    return np.column_stack(means) if means else columns
