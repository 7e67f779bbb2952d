"""Selection of the columns and random intercepts that the data can estimate."""

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.arrays import Array
from transforms.contracts.reason import Reason, reason
from transforms.mixed_model.cross_products import CrossProducts
from transforms.model.design_matrix import DesignSpec
from transforms.model.setting_terms import SettingEffect, WithoutSetting

MIN_WITHIN_STEPS = 0.10
"""Minimum standard deviation of a setting within visits, in practical steps; settings with less are left out."""
DEPENDENT = 1e-9
"""A column depends on earlier ones if less than this fraction of its square is independent of them."""


def _same_partition(rows: pl.DataFrame, a: tuple[str, ...], b: tuple[str, ...]) -> bool:
    """Return True if the columns `a` and the columns `b` divide the rows into the same groups."""
    pairs = rows.select(pl.struct(a).rank("dense").alias("a"), pl.struct(b).rank("dense").alias("b"))
    sizes = [pairs["a"].n_unique(), pairs["b"].n_unique(), pairs.n_unique()]
    return sizes[0] == sizes[1] == sizes[2]


def select_factors(rows: pl.DataFrame, frame: DesignSpec) -> tuple[list[str], dict[str, Reason]]:
    """Return the random intercepts that the data can distinguish, and the reason for each one left out.

    An intercept is left out if it has one level only, a level for each row, or the levels of an earlier intercept.

    Args:
        rows: rows of the fit, with the columns that identify the levels.
        frame: design specification, whose `factors` are the candidates.

    Returns:
        (names of the intercepts kept, in the order of `frame.factors`; name of each other one -> reason).
    """
    kept: list[str] = []
    reasons: dict[str, Reason] = {}
    for name, keys in frame.factors.items():
        levels = rows.select(pl.struct(keys)).to_series().n_unique()
        twin = next((k for k in kept if _same_partition(rows, frame.factors[k], keys)), None)
        if levels < 2:
            reasons[name] = reason("only_one")
        elif levels == rows.height:
            reasons[name] = reason("one_per_row")
        elif twin is not None:
            reasons[name] = reason("same_as_factor", factor=twin)
        else:
            kept.append(name)
    return kept, reasons


def columns_in(m: CrossProducts, frame: DesignSpec) -> tuple[NDArray[np.int64], Array]:
    """Return the columns of D that can be estimated, and each setting's standard deviation within visits.

    A setting with too little variation within visits is dropped with its interaction and curve columns. A column of X
    that depends on earlier ones is dropped alone.

    Args:
        m: cross-products of all columns.
        frame: design specification of the columns.

    Returns:
        (indices of columns of D, ascending; standard deviations in practical steps, shape (j,)).
    """
    terms = [term for term in frame.dense_terms for _ in term.labels()]
    within_sd = np.zeros(len(frame.settings))
    for j, s in enumerate(frame.settings):
        own, without = terms.index(SettingEffect(s.name)), terms.index(WithoutSetting(s.name))
        rows_with = m.DD[0, 0] - m.DD[0, without]
        if rows_with > 0:
            within_sd[j] = np.sqrt(max(m.DD[own, own], 0.0) / max(rows_with, 1e-9))
    still = {s.name for s, sd in zip(frame.settings, within_sd, strict=True) if sd < MIN_WITHIN_STEPS}
    square = np.diag(m.DD)
    inside = {"within", "reaction"}
    candidates = [i for i, t in enumerate(terms) if not (t.kind in inside and t.setting in still) and square[i] > 0]
    fixed = independent_columns(m.DD, [i for i in candidates if i < m.p])
    return np.array([*fixed, *(i for i in candidates if i >= m.p)], dtype=np.int64), within_sd


def independent_columns(DD: Array, live: list[int]) -> list[int]:
    """Return the columns among `live` that are linearly independent of the earlier ones.

    Row-wise Cholesky factorisation of the standardised cross-products.

    Args:
        DD: cross-products of all columns, shape (d, d).
        live: candidate columns, ascending.
    """
    kept: list[int] = []
    rows: list[Array] = []
    for i in live:
        v = np.array([DD[i, k] for k in kept]) / np.sqrt(DD[i, i] * np.array([DD[k, k] for k in kept]))
        row = np.zeros(len(kept))
        for a in range(len(kept)):
            row[a] = (v[a] - row[:a] @ rows[a][:a]) / rows[a][a]
        left = 1.0 - float(row @ row)
        if left > DEPENDENT:
            kept.append(i)
            rows.append(np.append(row, np.sqrt(left)))
    return kept
