"""Rows of a fit in weekly batches, with their columns and weights."""

from collections.abc import Iterator

import numpy as np

from transforms.arrays import Array
from transforms.model.fit_result import ResponseFit
from transforms.model.model_columns import Columns
from transforms.model.row_batches import RowBatches


def cached_batches(fit: ResponseFit) -> RowBatches:
    """Return the fit's rows in weekly batches with their columns, built once per process."""
    return fit.cached("row batches", lambda: RowBatches(fit.rows, fit.frame))


def dense_passes(fit: ResponseFit) -> Iterator[tuple[slice, Array, Columns]]:
    """Yield each week's (rows, columns of D in the model, all columns)."""
    keep = [i for i, n in enumerate(fit.frame.dense_labels()) if n in fit.at]
    for rows, cols in cached_batches(fit):
        yield rows, cols.D[:, keep], cols


def row_weights(fit: ResponseFit) -> Array:
    """Return the weights of the fit, shape (n,): a row of weight one has variance `fit.reml.residual`."""
    return np.asarray(fit.s2 / (fit.s2 + fit.known))


def prior_rows(fit: ResponseFit) -> Array:
    """Return the rows of D, of weight one, that are equivalent to the prior from last season, shape (r, d)."""
    if fit.last_season is None:
        return np.zeros((0, fit.width))
    prior = fit.last_season.prior
    roots = prior.roots()
    out = np.zeros((roots.shape[0], fit.width))
    out[:, [fit.at[label] for label in prior.labels]] = np.sqrt(fit.s2) * roots
    return out
