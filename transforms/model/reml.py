"""Mixed models by restricted maximum likelihood.

Henderson's equations with the largest factor absorbed; variances by two Fellner-Schall steps and then average
information (Johnson and Thompson 1995; Wood and Fasiolo 2017).

    y = X b + sum_k Z_k u_k + e,   u_k ~ N(0, s2_k I),   e ~ N(0, s2_e W^-1)                                   (1)
    C = M'WM + diag(l),   l = s2_e / s2_k on block k and 0 on X                                                (2)
    -2 l_R = (n - p) log(2 pi s2_e) + log|C| - sum log w + sum q_k log(s2_k / s2_e)
             + e'We / s2_e + sum u_k'u_k / s2_k                                                                (3)
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_solve, lapack
from scipy.stats import t as student
from threadpoolctl import threadpool_limits

from transforms.model.cross_products import CrossProducts, DenseBlock, Factor, cross_products

Array = NDArray[np.float64]
MAX_ITERATIONS = 60
CONVERGED = 1e-7
FLOOR = 1e-10
DIAGONAL_CHUNK = 2000
SMALL_CORE = 800
"""Below this many core columns one thread is faster than several that wait for each other."""


class RemlError(Exception):
    """The model cannot be fitted: too few rows for its columns, or columns that depend on each other."""


@dataclass(frozen=True)
class Contrast:
    """A linear combination of core coefficients with its uncertainty."""

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
class _Solution:
    """Everything at one value of the variances."""

    variances: dict[str, float]
    residual: float
    core: Array
    absorbed: Array
    T: Array
    D: Array
    penalties: Array
    rss: float
    minus_2l: float


@dataclass(frozen=True)
class RemlFit:
    """A fitted mixed model.

    Attributes:
        beta: fixed effects, shape (p,).
        u: predicted random effects of each block and factor.
        variances: variance of each block and factor.
        residual: residual variance s2_e (of an observation of weight 1).
        deviance: -2 restricted log-likelihood.
        iterations: steps taken.
        converged: whether the score was small at the end.
        cov_core: covariance of core coefficients (prediction error for random ones), shape (c, c).
        theta_cov: asymptotic covariance of the variances, order `theta_names`.
        spans: name of each core block -> its slice of the core.
    """

    beta: Array
    u: dict[str, Array]
    u_se: dict[str, Array]
    variances: dict[str, float]
    residual: float
    deviance: float
    iterations: int
    converged: bool
    cov_core: Array
    core: Array
    theta_names: tuple[str, ...]
    theta_cov: Array
    spans: dict[str, slice]
    _products: CrossProducts = field(repr=False)
    _D: Array = field(repr=False)

    def contrast(self, weights: Array) -> Contrast:
        """Return `weights @ core` with its standard error and Satterthwaite degrees of freedom.

        With q = C^-1 c s2_e, V = c'q, dV/ds2_k = |q_k|^2 / s2_k^2 and dV/ds2_e = (V - sum |q_k|^2 / s2_k) / s2_e;
        df = 2 V^2 / (g' Cov(theta) g), Satterthwaite 1946 as in Giesbrecht and Burns 1985.
        """
        q = self.cov_core @ weights
        variance = float(weights @ q)
        if variance <= 0:
            return Contrast(float(weights @ self.core), 0.0, np.inf)
        q_b = -(self._products.B @ q) / self._D if self._D.size else np.empty(0)
        squares = {name: float(q[s] @ q[s]) for name, s in self.spans.items()}
        if self._products.absorbed is not None:
            squares[self._products.absorbed] = float(q_b @ q_b)
        kept = variance - sum(sq / self.variances[k] for k, sq in squares.items())
        gradient = np.array(
            [kept / self.residual if k == "residual" else squares[k] / self.variances[k] ** 2 for k in self.theta_names]
        )
        spread = float(gradient @ self.theta_cov @ gradient)
        df = 2 * variance**2 / spread if spread > 0 else np.inf
        return Contrast(float(weights @ self.core), float(np.sqrt(variance)), max(df, 1.0))


class _Engine:
    """Solves the mixed-model equations at any variances, from cross-products alone."""

    def __init__(self, products: CrossProducts) -> None:
        self.m = products
        self.sizes = {name: s.stop - s.start for name, s in products.spans.items()}
        if products.absorbed is not None:
            self.sizes[products.absorbed] = products.d.size

    def solve(self, variances: dict[str, float], residual: float) -> _Solution:
        m = self.m
        penalties = np.zeros(m.r.size)
        for name, span in m.spans.items():
            penalties[span] = residual / variances[name]
        S = m.K + np.diag(penalties)
        D = m.d + residual / variances[m.absorbed] if m.absorbed is not None else m.d
        right = m.r
        if D.size:
            scaled = m.B.multiply(1 / D[:, None]).tocsr()
            S = S - (m.B.T @ scaled).toarray()
            right = m.r - scaled.T @ m.r_b
        chol, failed = lapack.dpotrf(S, lower=1)
        if failed:
            raise RemlError("columns of the model depend on each other, or there are too few rows for them")
        core = cho_solve((chol, True), right)
        T, _ = lapack.dpotri(chol, lower=1)
        T = np.tril(T) + np.tril(T, -1).T
        absorbed = (m.r_b - m.B @ core) / D if D.size else np.empty(0)
        rss = m.yy - float(core @ m.r) - float(absorbed @ m.r_b) - float(penalties @ core**2)
        if D.size:
            rss -= float((D - m.d) @ absorbed**2)
        log_c = 2 * float(np.log(np.diag(chol)).sum()) + float(np.log(D).sum())
        minus_2l = (m.n - m.p) * np.log(2 * np.pi * residual) + log_c - m.sum_log_w + rss / residual
        for name in self.sizes:
            u = self.effects(name, core, absorbed)
            minus_2l += self.sizes[name] * np.log(variances[name] / residual) + float(u @ u) / variances[name]
        return _Solution(dict(variances), residual, core, absorbed, T, D, penalties, rss, float(minus_2l))

    def effects(self, name: str, core: Array, absorbed: Array) -> Array:
        return absorbed if name == self.m.absorbed else core[self.m.spans[name]]

    def inverse_diagonal(self, s: _Solution) -> Array:
        """Diagonal of the absorbed block of C^-1: 1/D + b'T b / D^2."""
        out = np.empty(s.D.size)
        for start in range(0, s.D.size, DIAGONAL_CHUNK):
            rows = self.m.B[start : start + DIAGONAL_CHUNK]
            out[start : start + DIAGONAL_CHUNK] = np.asarray(rows.multiply(rows @ s.T).sum(axis=1)).ravel()
        return 1 / s.D + out / s.D**2

    def edf(self, s: _Solution) -> dict[str, float]:
        """Effective degrees of freedom of each block."""
        diagonal, out = np.diag(s.T), {}
        for name, size in self.sizes.items():
            trace = self.inverse_diagonal(s).sum() if name == self.m.absorbed else diagonal[self.m.spans[name]].sum()
            out[name] = size - s.residual * float(trace) / s.variances[name]
        return out

    def score(self, s: _Solution, edf: dict[str, float]) -> Array:
        out = []
        for name in self.sizes:
            u = self.effects(name, s.core, s.absorbed)
            v = s.variances[name]
            out.append(-0.5 * (edf[name] / v - float(u @ u) / v**2))
        free = self.m.n - self.m.p - sum(edf.values())
        out.append(-0.5 * (free / s.residual - s.rss / s.residual**2))
        return np.array(out)

    def _apply(self, core: Array, absorbed: Array) -> tuple[Array, Array]:
        """M'WM times a vector."""
        m = self.m
        if not absorbed.size:
            return m.K @ core, absorbed
        return m.K @ core + m.B.T @ absorbed, m.B @ core + m.d * absorbed

    def _inverse(self, s: _Solution, core: Array, absorbed: Array) -> tuple[Array, Array]:
        if not absorbed.size:
            return s.T @ core, absorbed
        first = s.T @ (core - self.m.B.T @ (absorbed / s.D))
        return first, (absorbed - self.m.B @ first) / s.D

    def average_information(self, s: _Solution) -> Array:
        """Half of f_i'P f_j for the working variates f_k = Z_k u_k / s2_k and f_e = e / s2_e."""
        m = self.m
        products, selves = [], []
        fitted_core, fitted_absorbed = self._apply(s.core, s.absorbed)
        resid = (m.r - fitted_core, m.r_b - fitted_absorbed)
        for name in self.sizes:
            core, absorbed = np.zeros_like(s.core), np.zeros_like(s.absorbed)
            if name == m.absorbed:
                absorbed = s.absorbed / s.variances[name]
            else:
                core[m.spans[name]] = s.core[m.spans[name]] / s.variances[name]
            products.append(self._apply(core, absorbed))
            selves.append((core, absorbed))
        products.append((resid[0] / s.residual, resid[1] / s.residual))
        k = len(products)
        solved = [self._inverse(s, *f) for f in products]
        out = np.empty((k, k))
        for i in range(k):
            for j in range(i, k):
                if i < k - 1:
                    inner = float(selves[i][0] @ products[j][0]) + float(selves[i][1] @ products[j][1])
                else:
                    inner = s.rss / s.residual**2
                down = float(products[i][0] @ solved[j][0]) + float(products[i][1] @ solved[j][1])
                out[i, j] = out[j, i] = 0.5 * (inner - down) / s.residual
        return out


def _fellner_schall(engine: _Engine, s: _Solution, floor: float) -> tuple[dict[str, float], float]:
    edf = engine.edf(s)
    variances = {}
    for name in engine.sizes:
        u = engine.effects(name, s.core, s.absorbed)
        variances[name] = max(float(u @ u) / max(edf[name], 1e-8), floor)
    return variances, max(s.rss / max(engine.m.n - engine.m.p - sum(edf.values()), 1e-8), floor)


def _newton(engine: _Engine, s: _Solution, floor: float) -> tuple[_Solution, float]:
    """One average-information step; returns the new solution and the decrement score' AI^-1 score before it."""
    names = list(engine.sizes)
    score = engine.score(s, engine.edf(s))
    theta = np.array([s.variances[n] for n in names] + [s.residual])
    free = ~((theta <= floor * 1.0001) & (score < 0))
    information = engine.average_information(s)
    move = np.zeros(theta.size)
    move[free] = np.linalg.lstsq(information[np.ix_(free, free)], score[free], rcond=None)[0]
    decrement = float(score[free] @ move[free])
    for _ in range(12):
        step = np.clip(theta + move, 0.1 * theta, 5 * theta)
        step = np.where(free, np.maximum(step, floor), theta)
        candidate = engine.solve(dict(zip(names, step[:-1].tolist(), strict=True)), float(step[-1]))
        if candidate.minus_2l <= s.minus_2l + 1e-9:
            return candidate, decrement
        move = move / 2
    return s, 0.0


def fit_reml(
    y: Array, X: Array, blocks: list[DenseBlock], factors: list[Factor], weights: Array | None = None
) -> RemlFit:
    """Fit model (1).

    Args:
        y: response, shape (n,).
        X: fixed columns, shape (n, p), of full rank.
        blocks: dense penalised blocks.
        factors: random intercepts.
        weights: observation weights, shape (n,).

    Raises:
        RemlError: columns depend on each other or outnumber the rows.
    """
    if X.shape[0] <= X.shape[1] + 1:
        raise RemlError(f"{X.shape[0]} rows are too few for {X.shape[1]} fixed columns")
    width = X.shape[1] + sum(b.columns.shape[1] for b in blocks) + sum(f.levels for f in factors)
    with threadpool_limits(limits=1 if width < SMALL_CORE else None, user_api="blas"):
        return _fit(y, X, blocks, factors, weights)


def _fit(y: Array, X: Array, blocks: list[DenseBlock], factors: list[Factor], weights: Array | None) -> RemlFit:
    centre = float(np.average(y, weights=weights))
    products = cross_products(y - centre, X, blocks, factors, weights)
    engine = _Engine(products)
    total = products.yy / max(products.n - 1, 1)
    floor = FLOOR * max(total, 1e-300)
    variances = {name: total / (len(engine.sizes) + 1) for name in engine.sizes}
    for block in blocks:
        variances[block.name] /= max(float(np.mean(np.sum(block.columns**2, axis=1))), 1e-12)
    s = engine.solve(variances, total / 2)
    for _ in range(2):
        s = engine.solve(*_fellner_schall(engine, s, floor))
    iterations, converged = 2, not engine.sizes
    while iterations < MAX_ITERATIONS:
        s, decrement = _newton(engine, s, floor)
        iterations += 1
        if decrement < CONVERGED:
            converged = True
            break
    return _finish(engine, s, X, centre, floor, iterations, converged=converged)


def _finish(
    engine: _Engine, s: _Solution, X: Array, centre: float, floor: float, iterations: int, *, converged: bool
) -> RemlFit:
    names = [*engine.sizes, "residual"]
    theta = np.array([s.variances[n] for n in engine.sizes] + [s.residual])
    alive = theta > floor * 1.0001
    theta_cov = np.zeros((theta.size, theta.size))
    theta_cov[np.ix_(alive, alive)] = np.linalg.pinv(engine.average_information(s)[np.ix_(alive, alive)])
    p = engine.m.p
    # The centre was taken off y; the column of ones (in the span of X) gets it back.
    shift = np.linalg.lstsq(X, np.full(X.shape[0], centre), rcond=None)[0]
    core = s.core.copy()
    core[:p] += shift
    cov = s.residual * s.T
    u_se = {n: np.sqrt(np.diag(cov)[engine.m.spans[n]]) for n in engine.m.spans}
    if engine.m.absorbed is not None:
        u_se[engine.m.absorbed] = np.sqrt(s.residual * engine.inverse_diagonal(s))
    return RemlFit(
        beta=core[:p],
        u={n: engine.effects(n, s.core, s.absorbed) for n in engine.sizes},
        u_se=u_se,
        variances={n: (v if v > floor * 1.0001 else floor) for n, v in s.variances.items()},
        residual=s.residual,
        deviance=s.minus_2l,
        iterations=iterations,
        converged=converged,
        cov_core=cov,
        core=core,
        theta_names=tuple(names),
        theta_cov=theta_cov,
        spans=engine.m.spans,
        _products=engine.m,
        _D=s.D,
    )


__all__ = ["Contrast", "DenseBlock", "Factor", "RemlError", "RemlFit", "fit_reml"]
