"""Residuals of data drawn from a fit: the null distribution of whatever is computed from residuals."""

import numpy as np

from transforms.arrays import Array
from transforms.model.fit_result import ResponseFit
from transforms.model.fit_rows import dense_passes, prior_rows, row_weights
from transforms.model.row_batches import factor_sums, factor_values


def drawn_residuals(fit: ResponseFit, draws: int, seed: int) -> Array:
    """Return the residuals of data sets drawn from the fitted model and fitted at its variances, shape (n, draws).

    The draws go through the fit's own rows, columns, weights and shrinkage, so a statistic of them has the dependence
    that the fit itself makes between residuals.

    Args:
        fit: the fit.
        draws: number of data sets.
        seed: of the draws.
    """
    rng, reml, m, w = np.random.default_rng(seed), fit.reml, fit.reml.equations.m, row_weights(fit)
    truth = np.zeros((reml.coef.size, draws))
    for name, span in reml.spans.items():
        truth[span] = rng.normal(0, np.sqrt(reml.variances[name]), (span.stop - span.start, draws))
    out, pushed = np.empty((fit.z.size, draws)), np.zeros((m.r.size, draws))
    for rows, D, cols in dense_passes(fit):
        errors = rng.normal(size=(D.shape[0], draws)) * np.sqrt(reml.residual / w[rows])[:, None]
        out[rows] = D @ truth[: m.d] + factor_values(m, cols, truth) + errors
        weighted = out[rows] * w[rows][:, None]
        pushed[: m.d] += D.T @ weighted
        pushed[m.d :] += factor_sums(m, cols, weighted)
    P = prior_rows(fit)
    pushed[: m.d] += P.T @ rng.normal(0, np.sqrt(reml.residual), (P.shape[0], draws))
    coefficients = reml.equations.inverse(reml.solution, pushed)
    for rows, D, cols in dense_passes(fit):
        out[rows] -= D @ coefficients[: m.d] + factor_values(m, cols, coefficients)
    return out
