"""Mixed models by restricted or plain maximum likelihood.

Variances by two Fellner-Schall steps (Wood and Fasiolo 2017) and then average information (Johnson and Thompson 1995).

    y = X b + sum_k Z_k u_k + e,   u_k ~ N(0, s2_k I),   e ~ N(0, s2_e W^-1)                                   (1)
    -2 l_R = (n - p) log(2 pi s2_e) + log|C| - sum log w + sum q_k log(s2_k / s2_e)
             + e'We / s2_e + sum u_k'u_k / s2_k                                                                (3)
    -2 l   = the same with n for n - p and |C_zz| for |C|: |C_zz| = |C| |(C^-1)_xx|                            (4)
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from transforms.mixed_model.cross_products import CrossProducts, DenseBlock, Factor, cross_products, fewer
from transforms.mixed_model.equations import Equations, RemlError, Solution

Array = NDArray[np.float64]
WarmStart = tuple[dict[str, float], float]
"""(Variance of each block and factor, residual variance) to start from."""
MAX_ITERATIONS = 60
CONVERGED = 1e-7
FLOOR = 1e-10
VANISHING_EDF = 0.01
"""A block that explains less than this and would rather explain nothing is put on the boundary at once."""
ON_THE_BOUNDARY = 100.0
"""A variance up to this many floors counts as none."""
OFF_THE_BOUNDARY = 0.001
"""Part of the variance of a row's own error that a part lifted from nothing is first taken to explain."""
WORTH_LEAVING = 0.1
"""Parts that stand at nothing are left out of the search where they are so much of the equations."""
SMALL_MODEL = 1200
"""Up to this many random effects the expected information is worth its cost: small samples are where it matters."""
SMALL_CORE = 1500
"""Below this many core columns one thread is faster than several that wait for each other."""


@dataclass(frozen=True)
class RemlFit:
    """A fitted mixed model.

    Attributes:
        coef: fixed effects and predicted random ones, in the order of M, shape (M,).
        variances: variance of each block and factor.
        residual: residual variance s2_e (of an observation of weight 1).
        deviance: -2 restricted log-likelihood, or -2 log-likelihood by `method`.
        iterations: steps taken.
        converged: whether the score was small at the end.
        cov_core: covariance of the coefficients of D (prediction error for random ones), shape (d, d).
        theta_names: order of the variances in `theta_cov`.
        floor: what a variance on the boundary is set to.
        spans: name of each block and factor -> its columns of M.
        p: fixed columns.
        method: "reml" or "ml".
    """

    coef: Array
    variances: dict[str, float]
    residual: float
    deviance: float
    iterations: int
    converged: bool
    cov_core: Array
    theta_names: tuple[str, ...]
    floor: float
    spans: dict[str, slice]
    p: int
    method: str
    equations: Equations = field(repr=False)
    solution: Solution = field(repr=False)

    @cached_property
    def edf(self) -> dict[str, float]:
        """Effective degrees of freedom of each block and factor."""
        with _threads(self.equations):
            return _Criterion(self.equations, self.method).edf(self.solution)

    @cached_property
    def theta_cov(self) -> Array:
        """Asymptotic covariance of the variances; rows of those on the boundary are 0.

        By the expected information in small models fitted by REML, by the average one in others.
        """
        criterion = _Criterion(self.equations, self.method)
        theta = np.array([*self.variances.values(), self.residual])
        with _threads(self.equations):
            small = self.u_cov if self.method == "reml" else None
            by = criterion.information(self.solution) if small is None else self._expected_information(small)
        return _inverse_information(by, theta, theta > ON_THE_BOUNDARY * self.floor)

    def _expected_information(self, u_cov: Array) -> Array:
        """Half of tr(P dV_i P dV_j), from Z_k'P Z_l = Cov(u)_kl / (s2_k s2_l).

        What concerns the residual follows from sum_k s2_k dV_k + s2_e W^-1 = V and P V P = P.
        """
        s2, k = np.array(list(self.variances.values())), len(self.spans)
        starts = [span.start - self.p for span in self.spans.values()]
        out = np.empty((k + 1, k + 1))
        out[:k, :k] = np.add.reduceat(np.add.reduceat(u_cov**2, starts, axis=0), starts, axis=1) / np.outer(s2, s2) ** 2
        traces = np.array(list(self.edf.values())) / s2
        out[:k, k] = out[k, :k] = (traces - out[:k, :k] @ s2) / self.residual
        left = self.equations.m.n - self.p - sum(self.edf.values())
        out[k, k] = (left / self.residual - out[k, :k] @ s2) / self.residual
        return out / 2

    @cached_property
    def u_cov(self) -> Array | None:
        """Covariance of the predictions, prior less error of prediction, shape (q, q); None in large models."""
        q = self.coef.size - self.p
        if q > SMALL_MODEL or not q:
            return None
        with _threads(self.equations):
            out = -self.covariances(np.eye(self.coef.size)[:, self.p :])[self.p :]
        for name, span in self.spans.items():
            at = np.arange(span.start, span.stop) - self.p
            out[at, at] += self.variances[name]
        return np.asarray(out)

    @cached_property
    def standing(self) -> Equations:
        """The equations without the parts whose variance is nothing: smaller, and solved by the same numbers."""
        return _without(self.equations.m, {k for k, v in self.variances.items() if v <= self.floor})

    @property
    def beta(self) -> Array:
        """Fixed effects, shape (p,)."""
        return self.coef[: self.p]

    @property
    def errors(self) -> Array:
        """Standard errors of the fixed effects, shape (p,)."""
        return np.asarray(np.sqrt(np.diag(self.cov_core)[: self.p]))

    @property
    def u(self) -> dict[str, Array]:
        """Predicted random effects of each block and factor (BLUPs)."""
        return {name: self.coef[span] for name, span in self.spans.items()}

    def u_se(self, name: str) -> Array:
        """Standard errors of prediction of a block or factor, its own and the fixed effects' uncertainty in them."""
        return np.asarray(np.sqrt(self.residual * self.equations.diagonal(self.solution, name)))

    def covariances(self, L: Array) -> Array:
        """Return Cov(C^-1 L) s2_e, the columns of the coefficients' covariance along L, shape as L: (M,) or (M, k)."""
        return self.residual * self.equations.inverse(self.solution, L)


class _Criterion:
    """The likelihood, its score and its average information at a solution, by REML or ML."""

    def __init__(self, equations: Equations, method: str) -> None:
        self.eq, self.m, self.method = equations, equations.m, method

    def minus_2l(self, s: Solution) -> float:
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
        """Effective degrees of freedom of each block: q_k - s2_e tr(C^-1_kk) / s2_k."""
        traces = self.eq.traces(s)
        if self.method == "ml":
            columns = self.eq.fixed_inverse(s)
            core = np.linalg.inv(columns[: self.m.p])
            for name, span in self.eq.spans.items():
                traces[name] -= float(((columns[span] @ core) * columns[span]).sum())
        return {name: self.eq.sizes[name] - s.residual * traces[name] / s.variances[name] for name in self.eq.spans}

    def residual_df(self, edf: dict[str, float]) -> float:
        return self.m.n - (self.m.p if self.method == "reml" else 0) - sum(edf.values())

    def score(self, s: Solution, edf: dict[str, float]) -> Array:
        out = []
        for name, span in self.eq.spans.items():
            u, v = s.coef[span], s.variances[name]
            out.append(-0.5 * (edf[name] / v - float(u @ u) / v**2))
        out.append(-0.5 * (self.residual_df(edf) / s.residual - s.rss / s.residual**2))
        return np.array(out)

    def information(self, s: Solution) -> Array:
        """Half of f_i'P f_j for the working variates f_k = Z_k u_k / s2_k and f_e = e / s2_e."""
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


def _fellner_schall(criterion: _Criterion, s: Solution, floor: float) -> tuple[dict[str, float], float]:
    edf, variances = criterion.edf(s), {}
    for name, span in criterion.eq.spans.items():
        u = s.coef[span]
        variances[name] = max(float(u @ u) / max(edf[name], 1e-8), floor)
    return variances, max(s.rss / max(criterion.residual_df(edf), 1e-8), floor)


def _inverse_information(information: Array, theta: Array, free: NDArray[np.bool_]) -> Array:
    """Inverse on the free variances, worked out in units of theta: they differ by many powers of ten; 0 elsewhere."""
    out = np.zeros_like(information)
    scale = theta[free]
    inside = information[np.ix_(free, free)] * np.outer(scale, scale)
    out[np.ix_(free, free)] = np.linalg.pinv(inside, hermitian=True) * np.outer(scale, scale)
    return out


def _newton(
    criterion: _Criterion, s: Solution, now: float, floor: float, small: dict[str, float]
) -> tuple[Solution, float, float]:
    """One average-information step; returns the new solution, its -2l and the decrement score' AI^-1 score before.

    A variance on the boundary whose score points away from it is lifted to `small` residual variances: in its own
    units, where it is next to nothing, average information cannot tell how far it should go. Nor can it for one that
    is vanishing, which is put on the boundary before the others' steps are worked out: it would drag them along. None
    goes against its own score. Where no step gains, the solution returned is the one that was given.
    """
    names = list(criterion.eq.spans)
    edf = criterion.edf(s)
    score = criterion.score(s, edf)
    theta = np.array([s.variances[n] for n in names] + [s.residual])
    bound = theta <= ON_THE_BOUNDARY * floor
    vanishing = np.append((np.array(list(edf.values())) < VANISHING_EDF) & (score[:-1] < 0), False)
    free, lifted = ~bound & ~vanishing, bound & (score > 0)
    information = criterion.information(s)
    move = np.zeros(theta.size)
    move[free] = _inverse_information(information, theta, free)[np.ix_(free, free)] @ score[free]
    lift = np.array([*(small[n] * s.residual for n in names), 0.0])
    move[lifted] = lift[lifted]
    move[move * score < 0] = 0.0
    # What lies between nothing and so much is not known: where all cannot be lifted at once, one is, or none.
    most = lifted & (score * lift == (score * lift)[lifted].max(initial=0.0))
    decrement = 0.0
    for up in [lifted, most, np.zeros_like(lifted)] if lifted.any() else [lifted]:
        tried = np.where(free | up, move, 0.0)
        decrement = float(score @ tried)
        found = _shortened(criterion, theta, tried, np.where(up, lift, 5 * theta), free | up, floor, now)
        if found is not None:
            return *found, decrement
    return s, now, decrement


def _shortened(
    criterion: _Criterion, theta: Array, move: Array, most: Array, inside: NDArray[np.bool_], floor: float, now: float
) -> tuple[Solution, float] | None:
    """Halve a step until it gains; None where no step does. What is not `inside` goes to the boundary."""
    for _ in range(12):
        step = np.where(inside, np.maximum(np.clip(theta + move, 0.1 * theta, most), floor), floor)
        at = dict(zip(criterion.eq.spans, step[:-1].tolist(), strict=True))
        candidate = criterion.eq.solve(at, float(step[-1]))
        value = criterion.minus_2l(candidate)
        if value <= now + 1e-9:
            return candidate, value
        move = move / 2
    return None


def _threads(equations: Equations) -> threadpool_limits:
    return threadpool_limits(limits=1 if equations.c.size < SMALL_CORE else None, user_api="blas")


def fit_reml(
    y: Array,
    X: Array,
    blocks: Sequence[DenseBlock],
    factors: Sequence[Factor],
    weights: Array | None = None,
    method: str = "reml",
) -> RemlFit:
    """Fit model (1).

    Args:
        y: response, shape (n,).
        X: fixed columns, shape (n, p), of full rank.
        blocks: dense penalised blocks.
        factors: random intercepts and slopes.
        weights: observation weights, shape (n,).
        method: "reml", or "ml" to compare models that differ in X.

    Raises:
        RemlError: columns depend on each other or outnumber the rows.
    """
    return fit_products(cross_products(y, X, blocks, factors, weights), method=method)


def fit_products(
    products: CrossProducts,
    start: WarmStart | None = None,
    method: str = "reml",
    tolerance: float = CONVERGED,
) -> RemlFit:
    """Fit model (1) from its cross-products.

    Args:
        products: what `cross_products` or `join` returned.
        start: (variance of each block and factor, residual variance) to start from; found where None.
        method: "reml" or "ml".
        tolerance: the fit has settled where a step would gain less than half of this in log-likelihood.

    Raises:
        RemlError: columns depend on each other or outnumber the rows.
    """
    if products.n <= products.p + 1:
        raise RemlError(f"{products.n} rows are too few for {products.p} fixed columns")
    equations = Equations(products)
    with _threads(equations):
        return _fit(_Criterion(equations, method), start, tolerance)


WELL_KNOWN_EDF = 30.0
"""A variance that as many degrees of freedom tell is what REML finds."""
PROFILE_STEPS = 12


def profile(fit: RemlFit, name: str) -> tuple[Array, Array]:
    """Return what the restricted likelihood leaves open of one standard deviation: (values, their probabilities).

    With s flat on (0, inf) (Gelman 2006) and the other variances as they are. Where REML finds nothing, nothing is
    merely the likeliest. A variance that many degrees of freedom tell is what REML finds.
    """
    if fit.edf[name] >= WELL_KNOWN_EDF:
        return np.array([np.sqrt(fit.variances[name])]), np.ones(1)
    criterion, floor = _Criterion(fit.equations, fit.method), min(fit.variances.values())
    widest = 4 * np.sqrt(max(fit.variances[name], 0.05 * fit.residual))
    sd = np.linspace(0, 1, PROFILE_STEPS + 1) * widest
    at = ({**fit.variances, name: max(v**2, floor)} for v in sd)
    minus_2l = np.array([criterion.minus_2l(fit.equations.solve(v, fit.residual)) for v in at])
    p = np.exp(-(minus_2l - minus_2l.min()) / 2)
    return sd, p / p.sum()


def deviance_without(fit: RemlFit, name: str) -> float:
    """Return -2 log-likelihood with the variance of a block or factor put to nothing, the others held."""
    if fit.variances[name] <= fit.floor:
        return fit.deviance
    criterion = _Criterion(fit.standing, fit.method)
    at = {k: fit.variances[k] for k in criterion.eq.spans}
    return criterion.minus_2l(criterion.eq.solve({**at, name: fit.floor}, fit.residual))


def _first_guess(equations: Equations, total: float) -> tuple[dict[str, float], float]:
    """Every part explains as much as the next; a block's variance follows from the mean square of its columns."""
    m, variances = equations.m, {}
    for name, span in equations.spans.items():
        diagonal = np.diag(m.DD)[span] if name in m.blocks else m.FF.diagonal()[span.start - m.d : span.stop - m.d]
        mean_square = float(diagonal.sum()) / m.n
        variances[name] = total / (len(equations.spans) + 1) / max(mean_square, 1e-12)
    return variances, total / 2


def _fit(criterion: _Criterion, start: WarmStart | None, tolerance: float) -> RemlFit:
    equations = criterion.eq
    total = _variance_of_y(equations.m)
    floor = FLOOR * max(total, 1e-300)
    guess, rest = _first_guess(equations, total)
    small = {k: OFF_THE_BOUNDARY * v * (len(guess) + 1) / max(total, 1e-300) for k, v in guess.items()}
    if start is None:
        s = equations.solve(guess, rest)
        for _ in range(2 if equations.spans else 1):
            s = equations.solve(*_fellner_schall(criterion, s, floor))
        at, steps = (s.variances, s.residual), 2
    else:
        near: WarmStart = ({k: max(start[0].get(k, v), floor) for k, v in guess.items()}, start[1])
        at, steps = _inside(criterion, near, floor, small, tolerance, 2)
        s = equations.solve(*at)
    value, converged, lifted = criterion.minus_2l(s), not equations.spans, set[str]()
    while steps < MAX_ITERATIONS and not converged:
        none, before = {k for k, v in s.variances.items() if v <= ON_THE_BOUNDARY * floor}, s
        s, value, decrement = _newton(criterion, s, value, floor, small)
        # What a first step off the boundary gains does not tell what the next ones will.
        up = {k for k in none if s.variances[k] > ON_THE_BOUNDARY * floor} - lifted
        converged, lifted = decrement < tolerance and not up, lifted | up
        at, steps = (s.variances, s.residual), steps + 1
        if s is before:
            break
        if not converged:
            moved, steps = _inside(criterion, at, floor, small, tolerance, steps)
            if moved != at:
                s = equations.solve(*moved)
                value = criterion.minus_2l(s)
    return _finish(criterion, s, value, floor, steps, converged=converged)


def _without(m: CrossProducts, gone: set[str]) -> Equations:
    """Return the equations without some blocks and factors."""
    out = np.zeros(m.d, dtype=bool)
    for k in gone & m.blocks.keys():
        out[m.blocks[k]] = True
    return Equations(fewer(m, np.flatnonzero(~out), [k for k in m.factors if k not in gone]))


def _inside(
    criterion: _Criterion, at: WarmStart, floor: float, small: dict[str, float], tolerance: float, steps: int
) -> tuple[WarmStart, int]:
    """Go on without the parts that stand at nothing until the others have settled; (where that is, steps so far).

    The equations are so much smaller, and their solution is the same. Whether a part should leave its boundary is for
    the next step of the whole to say.
    """
    m = criterion.m
    gone = {k for k, v in at[0].items() if v <= ON_THE_BOUNDARY * floor}
    if sum(criterion.eq.sizes[k] for k in gone) < WORTH_LEAVING * m.r.size:
        return at, steps
    left = _Criterion(_without(m, gone), criterion.method)
    s = left.eq.solve({k: at[0][k] for k in left.eq.spans}, at[1])
    value, settled = left.minus_2l(s), not left.eq.spans
    while steps < MAX_ITERATIONS and not settled:
        before, steps = s, steps + 1
        s, value, decrement = _newton(left, s, value, floor, small)
        settled = decrement < tolerance or s is before
    return ({**at[0], **s.variances}, s.residual), steps


def _variance_of_y(m: CrossProducts) -> float:
    """Variance of y about the mean that X carries (its column of ones), from the cross-products alone."""
    fixed = np.linalg.lstsq(m.DD[: m.p, : m.p], m.r[: m.p], rcond=None)[0]
    return max(float(m.yy - fixed @ m.r[: m.p]), 0.0) / max(m.n - m.p, 1)


def _finish(
    criterion: _Criterion, s: Solution, value: float, floor: float, iterations: int, *, converged: bool
) -> RemlFit:
    equations, d = criterion.eq, criterion.eq.m.d
    return RemlFit(
        coef=s.coef,
        variances={n: (v if v > ON_THE_BOUNDARY * floor else floor) for n, v in s.variances.items()},
        residual=s.residual,
        deviance=value,
        iterations=iterations,
        converged=converged,
        cov_core=s.residual * s.T[:d, :d],
        theta_names=(*equations.spans, "residual"),
        floor=floor,
        spans=equations.spans,
        p=equations.m.p,
        method=criterion.method,
        equations=equations,
        solution=s,
    )


__all__ = [
    "DenseBlock",
    "Factor",
    "RemlError",
    "RemlFit",
    "WarmStart",
    "deviance_without",
    "fit_products",
    "fit_reml",
    "profile",
]
