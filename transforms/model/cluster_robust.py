"""Standard errors that hold where a setting's effect differs from visit to visit for reasons the model has not.

The cluster-robust ("sandwich") variance of contrasts (Liang and Zeger 1986) with visits as clusters: what each visit
pulls a contrast by is c'C^-1 M_v'W e_v / (1 - h), and their squares add up, times (G - 1) / G. e / (1 - h) is about
the residual of a visit left out, the jackknife's (Bell and McCaffrey 2002), with the mean leverage h = edf / n. e are
residuals of pseudo-values (tails.py): those of measured values would let gross laboratory errors widen every interval.
"""

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

from transforms.model.fit import ResponseFit
from transforms.model.fit_rows import dense_passes, row_weights
from transforms.model.row_batches import factor_values

Array = NDArray[np.float64]
MOST_LEVERAGE = 0.5


def robust_errors(fit: ResponseFit, L: Array) -> Array:
    """Return cluster-robust standard errors of contrasts `L` over M, shape (k, M), as shape (k,)."""
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
    leverage = min((fit.reml.p + sum(fit.reml.edf.values())) / n, MOST_LEVERAGE)
    return np.asarray(np.sqrt((groups - 1) / groups * (sums**2).sum(axis=0)) / (1 - leverage))
