"""Robust mixture prior of a block of coefficients (Schmidli et al. 2014): an informative normal and a vague part.

The prior of the coefficients b of one block, which data alone estimate as b^ ~ N(b, C), is N(m, V) with probability w
and otherwise vague with deviations of about S^1/2. The vague part is flat over the width of C, so that a block that
contradicts m keeps the estimate of the data:

    w* = w N(b^; m, C + V) / (w N(b^; m, C + V) + (1 - w) N(b^; 0, C + S))                                      (32)
    b | b^ ~ w* N(m1, C1) + (1 - w*) N(b^, C),   C1 = (C^-1 + V^-1)^-1,   m1 = b^ + C1 V^-1 (m - b^)

The normal prior N(m, P^-1) that replaces the mixture in the equations has the precision that leads to the covariance
K of the mixture, in directions in which K is less than C; in the others it has none:

    P = C^-1/2 max(C^1/2 K^-1 C^1/2 - I, 0) C^-1/2                                                              (33)

A block between the two parts has a wide K, and so borrows less than the mean of the mixture.
"""

from dataclasses import dataclass

import numpy as np
from scipy.stats import multivariate_normal

from transforms.arrays import Array
from transforms.mixed_model.cross_products import CrossProducts


@dataclass(frozen=True)
class MixturePrior:
    """Robust mixture prior of a block of k coefficients.

    Attributes:
        mean: m, shape (k,).
        covariance: V, shape (k, k).
        vague: S, shape (k, k).
    """

    mean: Array
    covariance: Array
    vague: Array

    def log_evidence_ratio(self, estimate: Array, C: Array) -> float:
        """Return log N(b^; m, C + V) - log N(b^; 0, C + S).

        Args:
            estimate: b^, shape (k,).
            C: its covariance, shape (k, k).
        """
        informed = multivariate_normal.logpdf(estimate, self.mean, C + self.covariance)
        return float(informed - multivariate_normal.logpdf(estimate, np.zeros(estimate.size), C + self.vague))

    def moments(self, estimate: Array, C: Array, weight: float) -> tuple[Array, Array]:
        """Return mean, shape (k,), and covariance, shape (k, k), of the posterior mixture of (32).

        Args:
            estimate: b^, shape (k,).
            C: its covariance, shape (k, k).
            weight: w*, 0 to 1.
        """
        pull = np.linalg.solve(C + self.covariance, C).T
        shift, inner = pull @ (self.mean - estimate), C - pull @ C
        K = weight * inner + (1 - weight) * C + weight * (1 - weight) * np.outer(shift, shift)
        return estimate + weight * shift, (K + K.T) / 2


def posterior_weight(log_ratio: float, weight: float) -> float:
    """Return w* of (32).

    Args:
        log_ratio: logarithm of the ratio of the evidence for the informative part and for the vague one.
        weight: w, above 0 and below 1.

    >>> round(posterior_weight(0.0, 0.8), 3)
    0.8
    """
    logit = np.log(weight) - np.log1p(-weight) + log_ratio
    return float(1 / (1 + np.exp(-np.clip(logit, -700, 700))))


def gained_precision(C: Array, K: Array) -> Array:
    """Return P of (33), shape (k, k).

    Args:
        C: covariance of the estimate without a prior, positive definite, shape (k, k).
        K: covariance of the posterior mixture, shape (k, k).
    """
    root = np.linalg.cholesky(C)
    half = np.linalg.solve(root, K)
    values, vectors = np.linalg.eigh(np.linalg.solve(root, half.T))
    gain = np.maximum(1 / np.maximum(values, 1e-12) - 1, 0.0)
    back = np.linalg.solve(root.T, vectors)
    return np.asarray(back @ (gain[:, None] * back.T))


@dataclass(frozen=True)
class NormalPrior:
    """Normal prior of some columns of D.

    Attributes:
        labels: labels of the k columns.
        mean: shape (k,).
        precision: positive semi-definite, in units of 1 / y^2, shape (k, k).
        rows: number of rows that the prior counts as in the residual variance.
    """

    labels: tuple[str, ...]
    mean: Array
    precision: Array
    rows: int

    def roots(self) -> Array:
        """Return R with R'R the precision, shape (r, k): rows R b + e, Var(e) = I, are equivalent to the prior."""
        values, vectors = np.linalg.eigh(self.precision)
        own = values > max(float(values[-1]), 0.0) * 1e-12
        return np.asarray(np.sqrt(values[own])[:, None] * vectors[:, own].T)


def with_prior(m: CrossProducts, at: dict[str, int], prior: NormalPrior, s2: float) -> CrossProducts:
    """Return cross-products with the rows of a prior added.

    Args:
        m: cross-products of the model.
        at: label of each column of D -> its index.
        prior: prior of columns in the model.
        s2: variance of a row of weight one, near the residual variance.

    Raises:
        KeyError: a label of the prior is not in the model.
    """
    places, precision = np.array([at[label] for label in prior.labels]), s2 * prior.precision
    DD, r = m.DD.copy(), m.r.copy()
    DD[np.ix_(places, places)] += precision
    r[places] += precision @ prior.mean
    yy = m.yy + float(prior.mean @ precision @ prior.mean)
    return CrossProducts(DD, m.FD, m.FF, r, yy, m.n + prior.rows, m.p, m.sum_log_w, m.blocks, m.factors, m.labels)
