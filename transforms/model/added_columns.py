"""Columns added to a fit at its variances: their coefficients and residuals as fitted by the columns of the model."""

import numpy as np

from transforms.arrays import Array
from transforms.model.fit_result import ResponseFit
from transforms.model.fit_rows import dense_passes, row_weights
from transforms.model.row_batches import factor_sums, factor_values


def fit_columns(fit: ResponseFit, C: Array) -> tuple[Array, Array]:
    """Return coefficients, shape (M, k), and residuals, shape (n, k), of columns fitted at the variances of a fit.

    With K the coefficients and g that of an added column, the other coefficients of the fit with it are c - K g.

    Args:
        fit: the fit, n rows.
        C: the columns, shape (n, k).
    """
    reml, m, w = fit.reml, fit.reml.equations.m, row_weights(fit)
    pushed, left = np.zeros((m.r.size, C.shape[1])), C.copy()
    for rows, D, cols in dense_passes(fit):
        weighted = C[rows] * w[rows][:, None]
        pushed[: m.d] += D.T @ weighted
        pushed[m.d :] += factor_sums(m, cols, weighted)
    coefficients = reml.equations.inverse(reml.solution, pushed)
    for rows, D, cols in dense_passes(fit):
        left[rows] -= D @ coefficients[: m.d] + factor_values(m, cols, coefficients)
    return np.asarray(coefficients), left
