"""Cluster-robust standard errors, valid if a setting's effect varies between visits for reasons outside the model.

The cluster-robust ("sandwich") variance of contrasts (Liang and Zeger 1986) with visits as clusters: visit v adds
c'C^-1 M_v'W e_v / (1 - h) to a contrast, and the variance is the sum of squares times (G - 1) / G. e / (1 - h)
approximates the jackknife residual of a visit left out (Bell and McCaffrey 2002), with the mean leverage h = edf / n.
e are residuals of pseudo-values (`huber.py`): with measured values, gross laboratory errors would widen every interval.
"""

import numpy as np
import scipy.sparse as sp

from transforms.arrays import Array
from transforms.model.fit_result import ResponseFit
from transforms.model.fit_rows import dense_passes, row_weights
from transforms.model.row_batches import factor_values

MAX_LEVERAGE = 0.5
"""Upper bound of the mean leverage."""


def robust_errors(fit: ResponseFit, L: Array) -> Array:
    """Return cluster-robust standard errors of contrasts, in units of z, shape (k,).

    Args:
        fit: the fit; its visits are the clusters.
        L: weights of each contrast over M, the columns of D and then those of F, shape (k, M).
    """
    m = fit.reml.equations.m
    pull = fit.reml.equations.inverse(fit.reml.solution, L.T)
    left = fit.residual * row_weights(fit)
    visit = fit.visits
    groups, n = int(visit.max()) + 1, visit.size
    sums = np.zeros((groups, L.shape[0]))
    for rows, D, cols in dense_passes(fit):
        share = D @ pull[: m.d] + factor_values(m, cols, pull)
        at = np.arange(share.shape[0])
        sums += sp.csr_matrix((left[rows], (visit[rows], at)), shape=(groups, at.size)) @ share
    leverage = min((fit.reml.p + sum(fit.reml.edf.values())) / n, MAX_LEVERAGE)
    return np.asarray(np.sqrt((groups - 1) / groups * (sums**2).sum(axis=0)) / (1 - leverage))
