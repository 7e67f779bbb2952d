"""Restricted and plain likelihood of a mixed model at given variances: value, score, average information.

-2 l_R = (n - p) log(2 pi s2_e) + log|C| - sum log w + sum q_k log(s2_k / s2_e)
         + e'We / s2_e + sum u_k'u_k / s2_k                                                                (3)
-2 l   = the same with n for n - p and |C_zz| for |C|: |C_zz| = |C| |(C^-1)_xx|                            (4)

C is the matrix of the mixed-model equations (2), see `equations.py`.
"""

from contextlib import AbstractContextManager

import numpy as np
from numpy.typing import NDArray

from transforms.arrays import Array
from transforms.mixed_model.blas_threads import limit_blas
from transforms.mixed_model.cross_products import CrossProducts, subset_products
from transforms.mixed_model.equations import Equations, Solution

SMALL_CORE = 1500
"""Below this number of core columns, one BLAS thread is faster than several that wait for each other."""


class Criterion:
    """Likelihood, score and average information at a solution, by `method` "reml" or "ml"."""

    def __init__(self, equations: Equations, method: str) -> None:
        self.eq, self.m, self.method = equations, equations.m, method

    def minus_2l(self, s: Solution) -> float:
        """Return -2 log-likelihood, by (3) or (4)."""
        n, p = self.m.n, self.m.p
        log_det, free = s.log_det, n - p
        if self.method == "ml":
            free = n
            log_det += float(np.linalg.slogdet(self.eq.fixed_inverse(s)[:p])[1])
        out = free * np.log(2 * np.pi * s.residual) + log_det - self.m.sum_log_w + s.rss / s.residual
        for name, span in self.eq.spans.items():
            u = s.coef[span]
            out += self.eq.sizes[name] * np.log(s.variances[name] / s.residual) + float(u @ u) / s.variances[name]
        return float(out)

    def edf(self, s: Solution) -> dict[str, float]:
        """Return the effective degrees of freedom of each block and factor: q_k - s2_e tr(C^-1_kk) / s2_k."""
        traces = self.eq.traces(s)
        if self.method == "ml":
            columns = self.eq.fixed_inverse(s)
            core = np.linalg.inv(columns[: self.m.p])
            for name, span in self.eq.spans.items():
                traces[name] -= float(((columns[span] @ core) * columns[span]).sum())
        return {name: self.eq.sizes[name] - s.residual * traces[name] / s.variances[name] for name in self.eq.spans}

    def residual_df(self, edf: dict[str, float]) -> float:
        """Return the degrees of freedom of the residual."""
        return self.m.n - (self.m.p if self.method == "reml" else 0) - sum(edf.values())

    def score(self, s: Solution, edf: dict[str, float]) -> Array:
        """Return the derivatives of the log-likelihood by the variances, the residual's last, shape (k + 1,).

        Args:
            s: solution at the given variances.
            edf: effective degrees of freedom of each block and factor at that solution, from `edf`.
        """
        out = []
        for name, span in self.eq.spans.items():
            u, v = s.coef[span], s.variances[name]
            out.append(-0.5 * (edf[name] / v - float(u @ u) / v**2))
        out.append(-0.5 * (self.residual_df(edf) / s.residual - s.rss / s.residual**2))
        return np.array(out)

    def information(self, s: Solution) -> Array:
        """Return the average information, shape (k + 1, k + 1).

        Half of f_i'P f_j for the working variates f_k = Z_k u_k / s2_k and f_e = e / s2_e.
        """
        k = len(self.eq.spans)
        inside = np.zeros((self.m.r.size, k))
        for i, (name, span) in enumerate(self.eq.spans.items()):
            inside[span, i] = s.coef[span] / s.variances[name]
        pushed = self.eq.apply(inside)
        left = (self.m.r - self.eq.apply(s.coef)) / s.residual
        pushed = np.column_stack([pushed, left])
        inner = np.empty((k + 1, k + 1))
        inner[:k] = inside.T @ pushed
        inner[k, :k] = inner[:k, k]
        inner[k, k] = s.rss / s.residual**2
        return np.asarray(0.5 * (inner - pushed.T @ self.eq.inverse(s, pushed)) / s.residual)


def inverse_information(information: Array, theta: Array, free: NDArray[np.bool_]) -> Array:
    """Return the inverse of the information over the free variances, 0 elsewhere, shape as `information`.

    The matrix is scaled by theta before it is inverted, because variances differ by many powers of ten.

    Args:
        information: information matrix of the variances, shape (k + 1, k + 1).
        theta: the variances, the residual one last, shape (k + 1,).
        free: True for the variances included, False for those that are fixed, shape (k + 1,).
    """
    out = np.zeros_like(information)
    scale = theta[free]
    inside = information[np.ix_(free, free)] * np.outer(scale, scale)
    out[np.ix_(free, free)] = np.linalg.pinv(inside, hermitian=True) * np.outer(scale, scale)
    return out


def reduced_equations(m: CrossProducts, dropped: set[str]) -> Equations:
    """Return the equations without some blocks and factors.

    Args:
        m: cross-products of the full model.
        dropped: names of the blocks and factors to drop.
    """
    out = np.zeros(m.d, dtype=bool)
    for k in dropped & m.blocks.keys():
        out[m.blocks[k]] = True
    return Equations(subset_products(m, np.flatnonzero(~out), [k for k in m.factors if k not in dropped]))


def limit_threads(equations: Equations) -> AbstractContextManager[object]:
    """Return a context with one BLAS thread for a small core, and no limit for a large one."""
    return limit_blas(1 if equations.c.size < SMALL_CORE else None)
