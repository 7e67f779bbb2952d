"""Going over a fit's rows a week at a time: their columns, their weights, sums by level."""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from transforms.model.design import Columns
from transforms.model.fit import ResponseFit
from transforms.model.parts import passes

Array = NDArray[np.float64]


def dense_passes(fit: ResponseFit) -> Iterator[tuple[slice, Array, Columns]]:
    """Go over the rows a week at a time: (rows, the columns of D in the model, all columns)."""
    X, blocks = fit.frame.column_labels()
    every = [*X, *(n for names in blocks.values() for n in names)]
    keep = [i for i, n in enumerate(every) if n in fit.at]
    for rows, cols in passes(fit.rows, fit.frame):
        yield rows, np.hstack([cols.X, *(b.columns for b in cols.blocks)])[:, keep], cols


def row_weights(fit: ResponseFit) -> Array:
    """Return s2 / (s2 + v), shape (n,): a row of weight one has variance `fit.reml.residual`."""
    return np.asarray(fit.reml.residual / (fit.reml.residual + fit.known))


def factor_sums(fit: ResponseFit, cols: Columns, values: Array) -> Array:
    """Return F'values for the factors in the model over some rows, shape (f, k)."""
    m = fit.reml.equations.m
    out = np.zeros((m.r.size - m.d, values.shape[1]))
    for f in cols.factors:
        if f.name in m.factors and f.labels is not None:
            at = np.searchsorted(m.labels[f.name], f.labels)[f.codes] + m.factors[f.name].start - m.d
            np.add.at(out, at, values if f.slope is None else values * f.slope[:, None])
    return out


def factor_values(fit: ResponseFit, cols: Columns, coefficients: Array) -> Array:
    """Return F times coefficients over M for some rows, shape (rows, k); coefficients of shape (M, k)."""
    m = fit.reml.equations.m
    out = np.zeros((cols.X.shape[0], coefficients.shape[1]))
    for f in cols.factors:
        if f.name in m.factors and f.labels is not None:
            at = np.searchsorted(m.labels[f.name], f.labels)[f.codes] + m.factors[f.name].start
            out += coefficients[at] if f.slope is None else coefficients[at] * f.slope[:, None]
    return out
