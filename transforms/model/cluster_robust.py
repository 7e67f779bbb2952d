"""Cluster-robust standard errors, valid if a setting's effect varies between clusters for reasons outside the model.

The cluster-robust ("sandwich") variance of contrasts (Liang and Zeger 1986), mostly with visits as clusters: cluster v
adds c'C^-1 M_v'W e_v / (1 - h) to a contrast, and the variance is the sum of squares times (G - 1) / G. e / (1 - h)
approximates the jackknife residual of a cluster left out (Bell and McCaffrey 2002), with the mean leverage h = edf / n.
With two ways of clustering, by machine and by day, the variances add up, less that by machine and day (Cameron, Gelbach
and Miller 2011).
e are residuals of pseudo-values (`huber.py`): with measured values, gross laboratory errors would widen every interval.
"""

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

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
    return np.asarray(np.sqrt(_cluster_variances(fit, L, [fit.visits])[0]))


def two_way_errors(fit: ResponseFit, L: Array, one: NDArray[np.int64], other: NDArray[np.int64]) -> Array:
    """Return standard errors of contrasts that are robust to two ways of clustering, in units of z, shape (k,).

    They are at least those of either way alone: the difference of three estimates may be too small by chance.

    Args:
        fit: the fit.
        L: weights of each contrast over M, the columns of D and then those of F, shape (k, M).
        one: cluster of each row, from 0 without gaps, shape (n,).
        other: its cluster of the other kind, likewise.
    """
    _, both = np.unique(one * (int(other.max()) + 1) + other, return_inverse=True)
    first, second, shared = _cluster_variances(fit, L, [one, other, both])
    return np.asarray(np.sqrt(np.maximum(first + second - shared, np.maximum(first, second))))


def _cluster_variances(fit: ResponseFit, L: Array, clusters: list[NDArray[np.int64]]) -> list[Array]:
    """Return the variance of each contrast by every kind of clusters, shape (k,) each."""
    m = fit.reml.equations.m
    pull = fit.reml.equations.inverse(fit.reml.solution, L.T)
    left = fit.residual * row_weights(fit)
    sums = [np.zeros((int(codes.max()) + 1, L.shape[0])) for codes in clusters]
    for rows, D, cols in dense_passes(fit):
        share = D @ pull[: m.d] + factor_values(m, cols, pull)
        at = np.arange(share.shape[0])
        for i, codes in enumerate(clusters):
            sums[i] += sp.csr_matrix((left[rows], (codes[rows], at)), shape=(sums[i].shape[0], at.size)) @ share
    leverage = min((fit.reml.p + sum(fit.reml.edf.values())) / fit.visits.size, MAX_LEVERAGE)
    small = [(total.shape[0] - 1) / total.shape[0] / (1 - leverage) ** 2 for total in sums]
    return [np.asarray(a * (total**2).sum(axis=0)) for a, total in zip(small, sums, strict=True)]
