"""Mixed models by restricted or plain maximum likelihood: the fitted model and the entry points.

y = X b + sum_k Z_k u_k + e,   u_k ~ N(0, s2_k I),   e ~ N(0, s2_e W^-1)                                   (1)

`variance_search.py` finds the variances; `likelihood.py` has the likelihood (3) and (4).
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from transforms.arrays import Array
from transforms.mixed_model.cross_products import CrossProducts, DenseBlock, Factor, cross_products
from transforms.mixed_model.equations import Equations, RemlError, Solution
from transforms.mixed_model.likelihood import Criterion, inverse_information, limit_threads, reduced_equations
from transforms.mixed_model.variance_search import ON_THE_BOUNDARY, Optimum, WarmStart, find_variances, steps_from

CONVERGED = 1e-7
SMALL_MODEL = 1200
"""Up to this number of random effects the expected information is computed: it matters in small samples only."""
WELL_KNOWN_EDF = 30.0
"""From this number of effective degrees of freedom, the REML estimate of a variance is taken as exact."""
PROFILE_STEPS = 12


@dataclass(frozen=True)
class RemlFit:
    """A fitted mixed model.

    Attributes:
        coef: fixed effects and predicted random ones, in the order of M, shape (M,).
        variances: variance of each block and factor.
        residual: residual variance s2_e, of an observation of weight 1.
        deviance: -2 restricted log-likelihood, or -2 log-likelihood by `method`.
        iterations: number of steps.
        converged: True if the last step could gain almost nothing.
        cov_core: covariance of the coefficients of D (prediction error for random ones), shape (d, d).
        theta_names: order of the variances in `theta_cov`.
        floor: value of a variance on the boundary.
        spans: name of each block and factor -> its columns of M.
        p: number of fixed columns.
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
        with limit_threads(self.equations):
            return Criterion(self.equations, self.method).edf(self.solution)

    @cached_property
    def theta_cov(self) -> Array:
        """Asymptotic covariance of the variances; rows of variances on the boundary are 0.

        Small models fitted by REML use the expected information, all others the average information.
        """
        criterion = Criterion(self.equations, self.method)
        theta = np.array([*self.variances.values(), self.residual])
        with limit_threads(self.equations):
            small = self.u_cov if self.method == "reml" else None
            by = criterion.information(self.solution) if small is None else self._expected_information(small)
        return inverse_information(by, theta, theta > ON_THE_BOUNDARY * self.floor)

    def _expected_information(self, u_cov: Array) -> Array:
        """Return half of tr(P dV_i P dV_j), from Z_k'P Z_l = Cov(u)_kl / (s2_k s2_l).

        The terms of the residual variance follow from sum_k s2_k dV_k + s2_e W^-1 = V and P V P = P.
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
        """Covariance of the predictions, prior less prediction error covariance, shape (q, q); None in large models."""
        q = self.coef.size - self.p
        if q > SMALL_MODEL or not q:
            return None
        with limit_threads(self.equations):
            out = -self.covariances(np.eye(self.coef.size)[:, self.p :])[self.p :]
        for name, span in self.spans.items():
            at = np.arange(span.start, span.stop) - self.p
            out[at, at] += self.variances[name]
        return np.asarray(out)

    @cached_property
    def reduced(self) -> Equations:
        """The equations without the zero-variance components: smaller, with the same solution."""
        return reduced_equations(self.equations.m, {k for k, v in self.variances.items() if v <= self.floor})

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
        """Return standard errors of prediction of a block or factor, with the uncertainty of the fixed effects."""
        return np.asarray(np.sqrt(self.residual * self.equations.diagonal(self.solution, name)))

    def covariances(self, L: Array) -> Array:
        """Return s2_e C^-1 L, the coefficients' covariance times L, shape as L: (M,) or (M, k)."""
        return self.residual * self.equations.inverse(self.solution, L)


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
        blocks: dense penalised blocks, each with columns of shape (n, q).
        factors: random intercepts and slopes, each with codes of shape (n,).
        weights: observation weights, shape (n,); None for ones.
        method: "reml", or "ml" to compare models that differ in X.

    Raises:
        RemlError: fixed columns depend on each other, or there are too few rows for them.
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
        products: cross-products of the model.
        start: initial variances; None for a cold start.
        method: "reml" or "ml".
        tolerance: the fit has converged if a step would gain less than half of this in log-likelihood.

    Raises:
        RemlError: fixed columns depend on each other, or there are too few rows for them.
    """
    if products.n <= products.p + 1:
        raise RemlError(f"{products.n} rows are too few for {products.p} fixed columns")
    equations = Equations(products)
    with limit_threads(equations):
        criterion = Criterion(equations, method)
        return _reml_fit(criterion, find_variances(criterion, start, tolerance))


def fit_near(products: CrossProducts, variances: WarmStart, max_gain: float) -> RemlFit:
    """Fit model (1) by REML with a step or a few from variances of a fit to nearly the same data, or none.

    Args:
        products: cross-products of the model.
        variances: (variance of each block and factor, residual variance).
        max_gain: largest gain in log-likelihood that the first step may promise; 0 to solve at the given variances.

    Raises:
        RemlError: fixed columns depend on each other, there are too few rows for them, the given variances belong to
            other blocks and factors, or they are too far from the optimum.
    """
    if products.n <= products.p + 1:
        raise RemlError(f"{products.n} rows are too few for {products.p} fixed columns")
    if {*products.blocks, *products.factors} != set(variances[0]):
        raise RemlError("the variances belong to other blocks and factors")
    equations = Equations(products)
    with limit_threads(equations):
        criterion = Criterion(equations, "reml")
        return _reml_fit(criterion, steps_from(criterion, variances, max_gain))


def _reml_fit(criterion: Criterion, best: Optimum) -> RemlFit:
    """Return the fitted model at the optimum; variances on the boundary are set to the floor."""
    equations, d, s, floor = criterion.eq, criterion.eq.m.d, best.solution, best.floor
    return RemlFit(
        coef=s.coef,
        variances={n: (v if v > ON_THE_BOUNDARY * floor else floor) for n, v in s.variances.items()},
        residual=s.residual,
        deviance=best.minus_2l,
        iterations=best.iterations,
        converged=best.converged,
        cov_core=s.residual * s.T[:d, :d],
        theta_names=(*equations.spans, "residual"),
        floor=floor,
        spans=equations.spans,
        p=equations.m.p,
        method=criterion.method,
        equations=equations,
        solution=s,
    )


def profile(fit: RemlFit, name: str) -> tuple[Array, Array]:
    """Return the posterior of one standard deviation on a grid: (values, their probabilities), both of shape (k,).

    The prior of s is flat on (0, inf) (Gelman 2006); the other variances are fixed at their estimates. An estimate of
    zero is only the most probable value. A variance with at least `WELL_KNOWN_EDF` degrees of freedom is taken as its
    REML estimate.

    Args:
        fit: the fitted model.
        name: name of the block or factor whose standard deviation is profiled.
    """
    if fit.edf[name] >= WELL_KNOWN_EDF:
        return np.array([np.sqrt(fit.variances[name])]), np.ones(1)
    criterion, floor = Criterion(fit.equations, fit.method), min(fit.variances.values())
    widest = 4 * np.sqrt(max(fit.variances[name], 0.05 * fit.residual))
    sd = np.linspace(0, 1, PROFILE_STEPS + 1) * widest
    at = ({**fit.variances, name: max(v**2, floor)} for v in sd)
    minus_2l = np.array([criterion.minus_2l(fit.equations.solve(v, fit.residual)) for v in at])
    p = np.exp(-(minus_2l - minus_2l.min()) / 2)
    return sd, p / p.sum()


def deviance_without(fit: RemlFit, name: str) -> float:
    """Return -2 log-likelihood with the variance of a block or factor set to zero, the others fixed.

    Args:
        fit: the fitted model.
        name: name of the block or factor.
    """
    if fit.variances[name] <= fit.floor:
        return fit.deviance
    criterion = Criterion(fit.reduced, fit.method)
    at = {k: fit.variances[k] for k in criterion.eq.spans}
    return criterion.minus_2l(criterion.eq.solve({**at, name: fit.floor}, fit.residual))


__all__ = [
    "DenseBlock",
    "Factor",
    "RemlError",
    "RemlFit",
    "WarmStart",
    "deviance_without",
    "fit_near",
    "fit_products",
    "fit_reml",
    "profile",
]
