"""Standard errors that hold where a setting's effect differs from visit to visit for reasons the model has not.

The cluster-robust ("sandwich") variance of contrasts (Liang and Zeger 1986) with visits as clusters: what each visit
pulls a contrast by is c'C^-1 M_v'W e_v, and their squares add up. Times (n - 1) / (n - edf) and
G / (G - 1): residuals are smaller than errors.
"""

import numpy as np
from numpy.typing import NDArray

from transforms.model.design import visits_of
from transforms.model.fit import ResponseFit
from transforms.model.parts import factor_values
from transforms.model.row_passes import dense_passes, row_weights

Array = NDArray[np.float64]


def robust_errors(fit: ResponseFit, L: Array) -> Array:
    """Return cluster-robust standard errors of contrasts `L` over M, shape (k, M), as shape (k,)."""
    m = fit.reml.equations.m
    pull = fit.reml.equations.inverse(fit.reml.solution, L.T)
    left = (fit.z - fit.fitted) * row_weights(fit)
    visit = visits_of(fit.rows)
    sums = np.zeros((int(visit.max()) + 1, L.shape[0]))
    for rows, D, cols in dense_passes(fit):
        share = D @ pull[: m.d] + factor_values(m, cols, pull)
        np.add.at(sums, visit[rows], share * left[rows, None])
    groups, n = sums.shape[0], fit.z.size
    edf = fit.reml.p + sum(fit.reml.edf.values())
    scale = groups / max(groups - 1, 1) * (n - 1) / max(n - edf, 1)
    return np.asarray(np.sqrt(scale * (sums**2).sum(axis=0)))
