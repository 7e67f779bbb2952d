"""Going over a fit's rows a week at a time: their columns and weights."""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from transforms.model.design_matrix import Columns
from transforms.model.fit import ResponseFit
from transforms.model.row_batches import RowBatches

Array = NDArray[np.float64]


def columns_once(fit: ResponseFit) -> RowBatches:
    """Return the fit's rows a week at a time with their columns, made once in a process."""
    return fit.once("passes", lambda: RowBatches(fit.rows, fit.frame))


def dense_passes(fit: ResponseFit) -> Iterator[tuple[slice, Array, Columns]]:
    """Go over the rows a week at a time: (rows, the columns of D in the model, all columns)."""
    keep = [i for i, n in enumerate(fit.frame.dense_labels()) if n in fit.at]
    for rows, cols in columns_once(fit):
        yield rows, cols.D[:, keep], cols


def row_weights(fit: ResponseFit) -> Array:
    """Return the weights of the fit, shape (n,): a row of weight one has variance `fit.reml.residual`."""
    return np.asarray(fit.s2 / (fit.s2 + fit.known))
