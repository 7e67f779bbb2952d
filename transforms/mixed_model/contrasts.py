"""Linear combinations of coefficients: standard errors, degrees of freedom, F tests and simultaneous bands.

With q = s2_e C^-1 c, V = c'q, and D_ij the covariance of the derivatives of c'coef with respect to the variances,

    dV/ds2_k = |q_k|^2 / s2_k^2,   dV/ds2_e = (V - sum |q_k|^2 / s2_k) / s2_e                                  (6)
    d(c'coef)/ds2_k = q_k'u_k / s2_k^2,   d(c'coef)/ds2_e = - sum q_k'u_k / (s2_e s2_k)                        (7)
    V* = V + 2 sum_ij Cov(theta)_ij D_ij                                                                       (8)

(8) is Kenward and Roger's (1997) for fixed effects and Harville and Jeske's (1992) for predictions; both are the same
formula here because Cov(u) = s2_k I - s2_e C^kk. Degrees of freedom: Satterthwaite's, 2 V^2 / (g'Cov(theta) g):
Kenward and Roger's, for a single contrast.
"""

from dataclasses import dataclass

import numpy as np
from scipy.stats import f as fisher
from scipy.stats import t as student

from transforms.arrays import Array
from transforms.mixed_model.reml import RemlFit

PAIRS = 4
BAND_DRAWS = 4000
SMALL_MODEL = 4000
"""Up to this number of coefficients, (8) is computed; in larger models its correction is negligible."""
AT_ONCE = 64
"""Contrasts that are computed together: limits memory."""
BAND_SEED = 20_251_101


@dataclass(frozen=True)
class Contrast:
    """A linear combination of coefficients with its uncertainty."""

    estimate: float
    se: float
    df: float

    @property
    def p_value(self) -> float:
        """Two-sided p of the estimate against zero."""
        return float(2 * student.sf(abs(self.estimate) / self.se, self.df)) if self.se > 0 else 1.0

    def interval(self, level: float = 0.95) -> tuple[float, float]:
        """Return the interval of the given level."""
        half = float(student.ppf(0.5 + level / 2, self.df)) * self.se
        return self.estimate - half, self.estimate + half


@dataclass(frozen=True)
class FTest:
    """A joint test of several contrasts against zero, on `df` and `df_within` degrees of freedom."""

    F: float
    df: int
    df_within: float
    p_value: float


def pad_contrasts(fit: RemlFit, L: Array) -> Array:
    """Return contrasts as columns over all of M, padded with zeros, shape (M, k).

    Args:
        fit: the fitted model.
        L: contrasts over the columns of D or over all of M, shape (k, d) or (k, M); (d,) or (M,) for a single one.
    """
    rows = np.atleast_2d(L)
    out = np.zeros((fit.coef.size, rows.shape[0]))
    out[: rows.shape[1]] = rows.T
    return out


def _gradients(fit: RemlFit, q: Array, V: Array) -> Array:
    """Return dV/dtheta of every pair of contrasts by (6), shape (parameters, k, k)."""
    out = []
    rest = V.copy()
    for name, span in fit.spans.items():
        square = q[span].T @ q[span]
        rest -= square / fit.variances[name]
        out.append(square / fit.variances[name] ** 2)
    return np.array([*out, rest / fit.residual])


def _covariances_by_part(fit: RemlFit, q: Array) -> Array:
    """Return q_i'Cov(u)_ij q_j for every pair of components, shape (components, components, k, k)."""
    k, m, p = q.shape[1], len(fit.spans), fit.p
    if fit.u_cov is not None:
        spans = list(fit.spans.values())
        pushed = np.hstack([fit.u_cov[:, s.start - p : s.stop - p] @ q[s] for s in spans])
        by_part = np.array([q[s].T @ pushed[s.start - p : s.stop - p] for s in spans])
        return by_part.reshape(m, k, m, k).transpose(0, 2, 1, 3)
    inside = np.zeros((q.shape[0], m * k))
    for i, span in enumerate(fit.spans.values()):
        inside[span, i * k : (i + 1) * k] = q[span]
    prior = np.zeros(q.shape[0])
    for name, span in fit.spans.items():
        prior[span] = fit.variances[name]
    cov = inside.T @ (prior[:, None] * inside) - inside.T @ fit.covariances(inside)
    return np.asarray(cov.reshape(m, k, m, k).transpose(0, 2, 1, 3))


def _derivative_covariances(fit: RemlFit, by_part: Array) -> Array:
    """Return D_ij of (8), shape (parameters, parameters, ...), from q_i'Cov(u)_ij q_j by pair of components."""
    m = len(fit.spans)
    out = np.zeros((m + 1, m + 1, *by_part.shape[2:]))
    s2 = np.array(list(fit.variances.values())).reshape(m, *(1,) * (by_part.ndim - 2))
    out[:m, :m] = by_part / (s2[:, None] ** 2 * s2[None, :] ** 2)
    out[:m, m] = -(by_part / s2[None, :]).sum(axis=1) / (fit.residual * s2**2)
    out[m, :m] = np.swapaxes(out[:m, m], -1, -2) if by_part.ndim == PAIRS else out[:m, m]
    out[m, m] = (by_part / (s2[:, None] * s2[None, :])).sum(axis=(0, 1)) / fit.residual**2
    return out


def draws_covariance(fit: RemlFit, L: Array) -> Array:
    """Return the covariance of many contrasts, shape (k, k): variances by (8), correlations from the model.

    Models with more than 1,200 random effects use the uncorrected variances: there (8) is expensive and changes little.

    Args:
        fit: the fitted model.
        L: contrasts over the columns of D or over all of M, shape (k, d) or (k, M).
    """
    q = fit.covariances(pad_contrasts(fit, L))
    V = pad_contrasts(fit, L).T @ q
    V = (V + V.T) / 2
    if fit.u_cov is None or not fit.spans:
        return np.asarray(V)
    wider = np.sqrt(1 + np.maximum(_extra_variances(fit, q), 0) / np.maximum(np.diag(V), 1e-300))
    return np.asarray(V * np.outer(wider, wider))


def _adjusted(fit: RemlFit, L: Array) -> tuple[Array, Array, Array, Array]:
    """Return (estimates, V, V*, dV/dtheta) of contrasts."""
    columns = pad_contrasts(fit, L)
    q = fit.covariances(columns)
    V = columns.T @ q
    V = (V + V.T) / 2
    extra = np.zeros_like(V)
    if fit.coef.size <= SMALL_MODEL and fit.spans:
        pairs = _derivative_covariances(fit, _covariances_by_part(fit, q))
        extra = np.einsum("ij,ijab->ab", fit.theta_cov, pairs)
    return columns.T @ fit.coef, V, V + extra + extra.T, _gradients(fit, q, V)


def contrasts(fit: RemlFit, L: Array) -> list[Contrast]:
    """Return the contrast of each row of `L`, with its standard error by (8) and its degrees of freedom.

    Args:
        fit: the fitted model.
        L: contrasts over the columns of D or over all of M, shape (k, d) or (k, M).
    """
    parts = [_contrasts_together(fit, L[i : i + AT_ONCE]) for i in range(0, L.shape[0], AT_ONCE)]
    return [found for part in parts for found in part]


def contrast(fit: RemlFit, weights: Array) -> Contrast:
    """Return one contrast with its standard error by (8) and its degrees of freedom.

    Args:
        fit: the fitted model.
        weights: contrast over the columns of D or over all of M, shape (d,) or (M,).
    """
    return _contrasts_together(fit, weights[None])[0]


def _contrasts_together(fit: RemlFit, L: Array) -> list[Contrast]:
    """Return the contrasts of the rows of `L`, whose columns are solved together."""
    columns = pad_contrasts(fit, L)
    q = fit.covariances(columns)
    V = (columns * q).sum(axis=0)
    extra = _extra_variances(fit, q) if fit.coef.size <= SMALL_MODEL and fit.spans else np.zeros_like(V)
    squares = np.array([(q[span] ** 2).sum(axis=0) for span in fit.spans.values()]).reshape(len(fit.spans), V.size)
    s2 = np.array(list(fit.variances.values()))[:, None]
    gradients = np.vstack([squares / s2**2, (V - (squares / s2).sum(axis=0)) / fit.residual])
    out = []
    for estimate, v, more, gradient in zip(columns.T @ fit.coef, V, extra, gradients.T, strict=True):
        se = float(np.sqrt(max(v + more, v))) if v > 0 else 0.0
        out.append(Contrast(float(estimate), se, _satterthwaite(fit, float(v), gradient) if v > 0 else np.inf))
    return out


def _extra_variances(fit: RemlFit, q: Array) -> Array:
    """Return 2 sum_ij Cov(theta)_ij D_ij of (8) of each contrast, shape (k,).

    Args:
        fit: the fitted model.
        q: covariances of the coefficients with the contrasts, shape (M, k).
    """
    p, spans = fit.p, list(fit.spans.values())
    starts, parts = [s.start - p for s in spans], []
    for name, s in fit.spans.items():
        if fit.u_cov is not None:
            pushed = fit.u_cov[:, s.start - p : s.stop - p] @ q[s]
        else:
            inside = np.zeros_like(q)
            inside[s] = q[s]
            pushed = (fit.variances[name] * inside - fit.covariances(inside))[p:]
        parts.append(np.add.reduceat(q[p:] * pushed, starts, axis=0))
    by_part = np.stack(parts, axis=1)
    return np.asarray(2 * np.einsum("ij,ijk->k", fit.theta_cov, _derivative_covariances(fit, by_part)))


def _satterthwaite(fit: RemlFit, V: float, gradient: Array) -> float:
    """Return Satterthwaite's degrees of freedom, at least 1, of a contrast with variance V and gradient dV/dtheta."""
    variance = float(gradient @ fit.theta_cov @ gradient)
    return max(2 * V**2 / variance, 1.0) if variance > 0 else np.inf


def covariance(fit: RemlFit, L: Array) -> Array:
    """Return the covariance of contrasts by (8), shape (k, k); the correction is made positive semi-definite.

    Args:
        fit: the fitted model.
        L: contrasts over the columns of D or over all of M, shape (k, d) or (k, M).
    """
    _, V, adjusted, _ = _adjusted(fit, L)
    return _semi_definite(V, adjusted)


def _semi_definite(V: Array, adjusted: Array) -> Array:
    """Return V plus the positive semi-definite part of adjusted - V."""
    extra = adjusted - V
    values, vectors = np.linalg.eigh((extra + extra.T) / 2)
    return np.asarray(V + (vectors * np.maximum(values, 0)) @ vectors.T)


def f_test(fit: RemlFit, L: Array) -> FTest:
    """Test that all rows of `L` are zero, by Kenward and Roger (1997).

    Args:
        fit: a model fitted by REML.
        L: contrasts of full row rank over the columns of D or over all of M, shape (l, d) or (l, M).
    """
    estimates, V, adjusted, gradients = _adjusted(fit, L)
    size = estimates.size
    theta = np.linalg.inv(V)
    pieces = theta @ gradients
    traces = np.trace(pieces, axis1=1, axis2=2)
    W = fit.theta_cov
    A1 = float(traces @ W @ traces)
    A2 = float(np.einsum("ij,iab,jba->", W, pieces, pieces))
    statistic = float(estimates @ np.linalg.solve(adjusted, estimates)) / size
    if A2 <= 0:
        return FTest(statistic, size, np.inf, float(fisher.sf(statistic, size, 1e9)))
    scale, within = _scale_and_df(size, A1, A2)
    return FTest(scale * statistic, size, within, float(fisher.sf(scale * statistic, size, within)))


def _scale_and_df(size: int, A1: float, A2: float) -> tuple[float, float]:
    """Return Kenward and Roger's scale of F and its denominator degrees of freedom, matched to two moments."""
    if size == 1:  # the limit of the formulae below, which divide by zero at two degrees of freedom
        return 1.0, 2 / A2
    B = (A1 + 6 * A2) / (2 * size)
    g = ((size + 1) * A1 - (size + 4) * A2) / ((size + 2) * A2)
    below = 3 * size + 2 * (1 - g)
    c1, c2, c3 = g / below, (size - g) / below, (size + 2 - g) / below
    mean = 1 / (1 - A2 / size)
    variance = 2 / size * (1 + c1 * B) / ((1 - c2 * B) ** 2 * (1 - c3 * B))
    rho = variance / (2 * mean**2)
    within = 4 + (size + 2) / (size * rho - 1)
    return within / (mean * (within - 2)), within


def simultaneous_band(fit: RemlFit, L: Array, level: float = 0.95) -> tuple[Array, float]:
    """Return standard errors of the rows of `L`, shape (k,), and the multiple of them that covers the whole curve.

    The multiple is the `level` quantile of max |t| over the rows, from draws with a fixed seed. t has the smallest
    degrees of freedom among the first, the middle and the last row.

    Args:
        fit: the fitted model.
        L: points of the curve as contrasts over the columns of D or over all of M, shape (k, d) or (k, M).
        level: probability that the band covers the whole curve, 0 to 1.
    """
    _, plain, adjusted, gradients = _adjusted(fit, L)
    V = _semi_definite(plain, adjusted)
    se = np.sqrt(np.maximum(np.diag(V), 0))
    nonzero = np.flatnonzero(se > 0)
    if not nonzero.size:
        return se, 0.0
    correlation = V[np.ix_(nonzero, nonzero)] / np.outer(se[nonzero], se[nonzero])
    representative = {nonzero[0], nonzero[nonzero.size // 2], nonzero[-1]}
    df = min(_satterthwaite(fit, float(plain[i, i]), gradients[:, i, i]) for i in representative)
    rng = np.random.default_rng(BAND_SEED)
    values, vectors = np.linalg.eigh(correlation)
    normal = rng.standard_normal((BAND_DRAWS, nonzero.size)) @ (vectors * np.sqrt(np.maximum(values, 0))).T
    scale = np.sqrt(rng.chisquare(df, BAND_DRAWS) / df) if np.isfinite(df) else np.ones(BAND_DRAWS)
    return se, float(np.quantile(np.abs(normal / scale[:, None]).max(axis=1), level))
