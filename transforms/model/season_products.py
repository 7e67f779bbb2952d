"""Cross-products of a season by week: weeks whose inputs are unchanged are not summed again."""

import hashlib
from functools import cache
from pathlib import Path
from typing import Protocol

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.arrays import Array
from transforms.contracts import classes as condition_classes
from transforms.mixed_model import cross_products, p_spline
from transforms.mixed_model.reml import WarmStart
from transforms.model import (
    condition_terms,
    design_matrix,
    factor_terms,
    measurement_error,
    model_columns,
    modifiers,
    planned_variation,
    row_batches,
    setting_terms,
    term,
    visits,
    weekly_products,
)
from transforms.model.design_matrix import DesignSpec
from transforms.model.measurement_error import GRADES
from transforms.model.planned_variation import PLAN_COLUMNS
from transforms.model.row_batches import weeks_of
from transforms.model.weekly_products import Week, WeekJob, join_weeks, sum_week
from transforms.parallel import Executor, serial

FINGERPRINTED_MODULES = (
    condition_terms,
    cross_products,
    design_matrix,
    condition_classes,
    factor_terms,
    measurement_error,
    model_columns,
    modifiers,
    p_spline,
    planned_variation,
    row_batches,
    setting_terms,
    term,
    visits,
    weekly_products,
)
"""Modules that compute columns and cross-products: weeks cached by another version of their code are summed again."""


class ProductStore(Protocol):
    """Storage of weekly cross-products and warm starts, each under the fingerprint of its inputs.

    Attributes:
        executor: executor that sums the missing weeks.
    """

    executor: Executor

    def week(self, key: str) -> Week | None:
        """Return a stored week; None if it is not stored or damaged."""

    def store_week(self, key: str, week: Week) -> None:
        """Store a week.

        Args:
            key: fingerprint of the week's inputs.
            week: its cross-products by class of measurement variance.
        """

    def start(self, key: str) -> WarmStart | None:
        """Return a stored warm start; None if it is not stored or damaged."""

    def store_start(self, key: str, start: WarmStart) -> None:
        """Store a warm start without rounding.

        Args:
            key: fingerprint of the rows from which it was found.
            start: (variance of each block and factor, residual variance).
        """


@cache
def _code() -> str:
    """Return the SHA-256 of the code that computes columns and cross-products."""
    digest = hashlib.sha256()
    for module in FINGERPRINTED_MODULES:
        digest.update(Path(str(module.__file__)).read_bytes())
    return digest.hexdigest()


def fingerprint(rows: pl.DataFrame, frame: DesignSpec, z: Array, classes: NDArray[np.int64]) -> str:
    """Return the SHA-256 of all inputs of a week's cross-products, the code included.

    Args:
        rows: the week's rows.
        frame: design specification of their columns.
        z: fitted scale of the response, shape (n,).
        classes: class of each row's measurement variance, shape (n,).
    """
    digest = hashlib.sha256(f"{_code()}|{frame}".encode())
    digest.update(np.ascontiguousarray(z).tobytes())
    digest.update(classes.tobytes())
    needed = {n for keys in frame.factors.values() for n in keys} | set(frame.terms.conditions)
    needed |= {s.name for s in frame.settings} | {"machine_id", "field_id", "shift_date", "clay_pct"}
    grades = (GRADES | PLAN_COLUMNS) & set(rows.columns)
    for column in rows.select(sorted(needed | grades)):
        digest.update(column.name.encode())
        if column.dtype.is_numeric():
            digest.update(np.ascontiguousarray(column.cast(pl.Float64).to_numpy()).tobytes())
        else:
            digest.update("|".join(column.cast(pl.String).fill_null("").to_list()).encode())
    return digest.hexdigest()


def season_products(
    rows: pl.DataFrame, frame: DesignSpec, z: Array, classes: NDArray[np.int64], store: ProductStore | None
) -> Week:
    """Return the cross-products of all rows by class of measurement variance, weeks joined in their order.

    Args:
        rows: the rows, sorted by day.
        frame: design specification of their columns.
        z: fitted scale of the response, shape (n,).
        classes: class of each row's measurement variance, shape (n,).
        store: cache to read from and write to; None to sum all weeks.
    """
    at = weeks_of(rows)
    keys = [fingerprint(rows[w], frame, z[w], classes[w]) if store is not None else "" for w in at]
    cached = [store.week(key) if store is not None else None for key in keys]
    missing = [WeekJob(rows[w], frame, z[w], classes[w]) for w, week in zip(at, cached, strict=True) if week is None]
    summed = (store.executor if store is not None else serial)(sum_week, missing)
    weeks: list[Week] = []
    for key, known in zip(keys, cached, strict=True):
        week = known if known is not None else next(summed)
        if known is None and store is not None:
            store.store_week(key, week)
        weeks.append(week)
    return join_weeks(weeks)
