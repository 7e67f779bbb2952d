"""Score test of additional columns at the fitted variances, in one pass over the rows."""

from dataclasses import dataclass

import numpy as np
from scipy.stats import f as fisher

from transforms.arrays import Array
from transforms.model.fit_result import ResponseFit
from transforms.model.fit_rows import dense_passes, row_weights
from transforms.model.row_batches import factor_sums

DEPENDENT = 1e-10
"""Directions of the added columns with a smaller eigenvalue, relative to the largest, depend on others."""


@dataclass(frozen=True)
class ScoreTest:
    """Joint test of additional columns; `each` has (estimate, standard error) per column."""

    F: float
    df: int
    p_value: float
    each: list[tuple[float, float]]


def score_test(fit: ResponseFit, added: Array) -> ScoreTest:
    """Test additional columns jointly for an effect on z (score test, Rao 1948).

    With P the projection of the fitted model, the statistic is z'P A (A'P A)^-1 A'P z / k, z the pseudo-values. It is
    compared with F(k, n - d), d the number of columns of D. Columns that the model's columns determine are left out.

    Args:
        fit: the fitted model, without these columns.
        added: the additional columns A, one row per row of the fit, shape (n, k).

    Returns:
        The test; `df` is the number of columns tested, and `each` has their estimates in units of z per unit of the
        column. Without any column to test, F is 0 and p is 1.
    """
    w = row_weights(fit)[:, None]
    eq, s2 = fit.reml.equations, fit.reml.residual
    MWA = np.zeros((eq.m.r.size, added.shape[1]))
    for rows, D, cols in dense_passes(fit):
        weighted = added[rows] * w[rows]
        MWA[: eq.m.d] += D.T @ weighted
        MWA[eq.m.d :] += factor_sums(eq.m, cols, weighted)
    AWA, AWr = added.T @ (w * added), (w * added).T @ fit.residual
    APA = (AWA - MWA.T @ eq.inverse(fit.reml.solution, MWA)) / s2
    APz = AWr / s2
    estimable = np.diag(APA) > 1e-8 * np.maximum(np.diag(AWA), 1e-300) / s2
    APA, APz = APA[np.ix_(estimable, estimable)], APz[estimable]
    if not estimable.any():
        return ScoreTest(0.0, 0, 1.0, [])
    inverse = np.linalg.pinv(APA, rcond=DEPENDENT, hermitian=True)
    size = int(estimable.sum())
    F = float(APz @ inverse @ APz) / size
    each = list(zip((inverse @ APz).tolist(), np.sqrt(np.diag(inverse)).tolist(), strict=True))
    return ScoreTest(F, size, float(fisher.sf(F, size, max(fit.z.size - fit.width, 1))), each)
