"""Cache of weekly cross-products on disk: unchanged weeks are not summed again."""

import hashlib
import io
import json
from functools import cache
from pathlib import Path
from zipfile import BadZipFile

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.arrays import Array
from transforms.conditions import field_hours
from transforms.mixed_model import cross_products, p_spline
from transforms.mixed_model.reml import WarmStart
from transforms.model import condition_terms, design_matrix, measurement_error, row_batches, weekly_products
from transforms.model.design_matrix import DesignSpec
from transforms.model.product_files import pack_week, unpack_week
from transforms.model.row_batches import weeks_of
from transforms.model.weekly_products import Week, WeekJob, join_weeks, sum_week
from transforms.parallel import Executor, serial
from transforms.storage.lake import LakePath, write_bytes_atomic

COLUMNS_ARE_MADE_BY = (
    condition_terms,
    cross_products,
    design_matrix,
    field_hours,
    measurement_error,
    p_spline,
    row_batches,
    weekly_products,
)
"""Modules that compute columns and cross-products: weeks cached by another version of their code are summed again."""


class ProductCache:
    """A folder of weekly cross-products and warm starts, each under the fingerprint of its inputs.

    `used` has the keys requested or written since the cache was opened; `sweep` removes all other files. `made` counts
    the weeks written.
    """

    def __init__(self, folder: LakePath, spread: Executor = serial) -> None:
        self._folder = folder
        self.spread = spread
        self.used: set[str] = set()
        self.made = 0

    def week(self, key: str) -> Week | None:
        """Return a cached week; None if it is not cached or its file is damaged."""
        self.used.add(key)
        path = self._folder / f"{key}.npz"
        if not path.exists():
            return None
        try:
            with np.load(io.BytesIO(path.read_bytes()), allow_pickle=False) as stored:
                return unpack_week(stored)
        except (OSError, ValueError, KeyError, BadZipFile):
            return None

    def keep(self, key: str, week: Week) -> None:
        """Write a week atomically, so that no reader sees a partial file."""
        self.made += 1
        body = io.BytesIO()
        np.savez(body, **pack_week(week))  # type: ignore[arg-type]
        write_bytes_atomic(body.getvalue(), self._folder / f"{key}.npz")

    def start(self, key: str) -> WarmStart | None:
        """Return a cached warm start; None if it is not cached or its file is damaged."""
        self.used.add(key)
        try:
            stored = json.loads((self._folder / f"{key}.json").read_text("utf-8"))
            return {str(k): float(v) for k, v in stored["variances"].items()}, float(stored["residual"])
        except (OSError, ValueError, KeyError, AttributeError, TypeError):
            return None

    def keep_start(self, key: str, start: WarmStart) -> None:
        """Write a warm start without rounding."""
        body = json.dumps({"variances": start[0], "residual": start[1]})
        write_bytes_atomic(body.encode(), self._folder / f"{key}.json")

    def sweep(self) -> None:
        """Remove weeks and warm starts that no fit has requested since the cache was opened."""
        for path in [*self._folder.glob("*.npz"), *self._folder.glob("*.json")]:
            if path.stem not in self.used:
                path.unlink()


@cache
def _code() -> str:
    """Return the SHA-256 of the code that computes columns and cross-products."""
    digest = hashlib.sha256()
    for module in COLUMNS_ARE_MADE_BY:
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
    grades = {"trace_quality", "claimed_quality", "machine_chance", "trial_block", "trial_setting"} & set(rows.columns)
    for column in rows.select(sorted(needed | grades)):
        digest.update(column.name.encode())
        if column.dtype.is_numeric():
            digest.update(np.ascontiguousarray(column.cast(pl.Float64).to_numpy()).tobytes())
        else:
            digest.update("|".join(column.cast(pl.String).fill_null("").to_list()).encode())
    return digest.hexdigest()


def season_products(
    rows: pl.DataFrame, frame: DesignSpec, z: Array, classes: NDArray[np.int64], store: ProductCache | None
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
    summed = (store.spread if store is not None else serial)(sum_week, missing)
    weeks: list[Week] = []
    for key, known in zip(keys, cached, strict=True):
        week = known if known is not None else next(summed)
        if known is None and store is not None:
            store.keep(key, week)
        weeks.append(week)
    return join_weeks(weeks)
