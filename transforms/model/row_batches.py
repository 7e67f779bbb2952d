"""Rows in weekly batches, with their columns and factor indicators."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise

import numpy as np
import polars as pl
import scipy.sparse as sp
from numpy.typing import NDArray

from transforms.arrays import Array
from transforms.mixed_model.cross_products import CrossProducts, Factor
from transforms.model.design_matrix import DesignSpec
from transforms.model.model_columns import Columns, columns

MAX_CACHED_NUMBERS = 20_000_000
"""Columns with up to this number of entries are cached in memory; larger ones are rebuilt in each pass."""


def weeks_of(rows: pl.DataFrame) -> list[slice]:
    """Return the rows of each calendar week; rows are sorted by `shift_date`."""
    week = rows.select(pl.col("shift_date").dt.truncate("1w")).to_series()
    edges = np.flatnonzero(week.to_numpy()[1:] != week.to_numpy()[:-1]) + 1
    cuts = [0, *edges.tolist(), rows.height]
    return [slice(a, b) for a, b in pairwise(cuts)]


class RowBatches:
    """Rows in weekly batches with their columns, for repeated iteration."""

    def __init__(self, rows: pl.DataFrame, frame: DesignSpec) -> None:
        self._rows, self._frame = rows, frame
        self._cached: list[tuple[slice, Columns]] = []

    def __iter__(self) -> Iterator[tuple[slice, Columns]]:
        if self._cached:
            yield from self._cached
            return
        cacheable = self._rows.height * len(self._frame.dense_labels()) <= MAX_CACHED_NUMBERS
        batches: list[tuple[slice, Columns]] = []
        for at in weeks_of(self._rows):
            batch = at, columns(self._rows[at], self._frame)
            if cacheable:
                batches.append(batch)
            yield batch
        # Cache only complete passes: a caller that stops early must not leave a partial cache.
        self._cached = batches

    @cached_property
    def factor_indicators(self) -> "FactorIndicators":
        """Factor indicators of the rows."""
        return FactorIndicators.of([cols.factors for _, cols in self])


@dataclass(frozen=True)
class FactorIndicators:
    """Indicator matrices of the factors' levels, one per week.

    Attributes:
        labels: labels of each factor's levels over all weeks, sorted.
        spans: columns of each factor in `weeks`.
        weeks: F of each week's rows, shape (rows, f).
    """

    labels: dict[str, NDArray[np.str_]]
    spans: dict[str, slice]
    weeks: list[sp.csr_matrix]

    @staticmethod
    def of(weeks: list[list[Factor]]) -> "FactorIndicators":
        """Return the indicators of the factors of some weeks; every week has the same factors."""
        labels = {f.name: np.unique(np.concatenate([w[i].labels for w in weeks])) for i, f in enumerate(weeks[0])}
        edges = np.cumsum([0, *(x.size for x in labels.values())]).tolist()
        spans = {name: slice(*at) for name, at in zip(labels, pairwise(edges), strict=True)}
        return FactorIndicators(labels, spans, [_indicators(w, labels, spans) for w in weeks])

    def column_positions(self, m: CrossProducts) -> NDArray[np.int64]:
        """Return the column here of each column of F in cross-products `m`, shape (f,)."""
        at = [self.spans[k].start + np.searchsorted(self.labels[k], m.labels[k]) for k in m.factors]
        return np.concatenate(at) if at else np.empty(0, dtype=np.int64)


def _indicators(factors: list[Factor], labels: dict[str, NDArray[np.str_]], spans: dict[str, slice]) -> sp.csr_matrix:
    """Return F for the rows of a week, over the levels of all weeks."""
    places = [np.searchsorted(labels[f.name], np.asarray(f.labels))[f.codes] + spans[f.name].start for f in factors]
    n = places[0].size
    values = [np.ones(n) if f.slope is None else f.slope for f in factors]
    pointers = np.arange(0, n * len(factors) + 1, len(factors))
    width = max(s.stop for s in spans.values())
    return sp.csr_matrix((np.column_stack(values).ravel(), np.column_stack(places).ravel(), pointers), (n, width))


def select_rows(cols: Columns, selected: NDArray[np.bool_]) -> Columns:
    """Return the columns of some of the rows; factors keep only the levels of these rows.

    Args:
        cols: columns of n rows.
        selected: mask of the rows to keep, shape (n,).
    """
    factors = []
    for f in cols.factors:
        present, codes = np.unique(f.codes[selected], return_inverse=True)
        labels = f.labels[present] if f.labels is not None else present.astype(str)
        slope = f.slope[selected] if f.slope is not None else None
        factors.append(replace(f, codes=codes.astype(np.int64), levels=present.size, slope=slope, labels=labels))
    return Columns(cols.D[selected], cols.spans, factors)


def factor_sums(m: CrossProducts, cols: Columns, values: Array) -> Array:
    """Return F'values over some rows, shape (f, k); a level that is not in `m` is left out.

    Args:
        m: cross-products that define the factors.
        cols: columns of the rows.
        values: shape (rows, k).
    """
    out = np.zeros((m.r.size - m.d, values.shape[1]))
    for f in cols.factors:
        if f.name in m.factors and f.labels is not None:
            labels = m.labels[f.name]
            place = np.minimum(np.searchsorted(labels, f.labels), labels.size - 1)
            known = labels[place] == f.labels
            part = values if f.slope is None else values * f.slope[:, None]
            sums = [np.bincount(f.codes, weights=column, minlength=f.levels) for column in part.T]
            out[place[known] + m.factors[f.name].start - m.d] += np.column_stack(sums)[known]
    return out


def factor_values(m: CrossProducts, cols: Columns, coefficients: Array) -> Array:
    """Return F times the coefficients for some rows, shape (rows, k); a level that is not in `m` contributes 0.

    Args:
        m: cross-products that define the factors.
        cols: columns of the rows.
        coefficients: coefficients over M, shape (M, k).
    """
    out = np.zeros((cols.D.shape[0], coefficients.shape[1]))
    for f in cols.factors:
        if f.name in m.factors and f.labels is not None:
            labels = m.labels[f.name]
            place = np.minimum(np.searchsorted(labels, f.labels), labels.size - 1)
            known = (labels[place] == f.labels)[f.codes][:, None]
            part = np.where(known, coefficients[place[f.codes] + m.factors[f.name].start], 0.0)
            out += part if f.slope is None else part * f.slope[:, None]
    return out
