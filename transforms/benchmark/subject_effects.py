"""Subject effects: the difference of each machine, operator, grower or field, from a model without visit means.

The visit means of the fit absorb part of the differences between machines and operators, so that its own predictions
of them are not fair. Here the settings' within-visit effects b^ are subtracted, and the remainder is fitted again,
first with conditions,

    z - S b^ = conditions c^ + field + machine + operator + machine-day + site-day (+ grower) + e                (15)

then with the conditions subtracted as well and with unconstrained levels of the subjects: a subject's residuals
therefore sum to zero, and observed less expected is exactly settings + subject effect. z are the fit's pseudo-values
(mixed_model/huber.py): a gross laboratory error is not part of any subject's level. The levels include the error of b^
and c^:

    Cov(u^) = Cov(u^ | b^, c^) + A [S C] Cov(b^, c^) [S C]' A',   A the linear map of the second fit             (16)

A variance that the data hardly determine (few operators, for example) is not set to its REML estimate, which is often
zero, but to the square of the mean of s over the restricted likelihood. The shrunken levels are the better estimates
when many subjects are compared, and the basis of the ranks (shrinkage.py).
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import polars as pl
import scipy.sparse as sp
from numpy.typing import NDArray
from scipy.linalg import block_diag
from scipy.stats import t as student

from transforms.benchmark.setting_columns import setting_columns
from transforms.benchmark.shrinkage import ShrunkenEffects, shrink_effects
from transforms.mixed_model.contrasts import draws_covariance
from transforms.mixed_model.cross_products import DenseBlock, Factor, cross_products
from transforms.mixed_model.equations import Equations
from transforms.mixed_model.reml import RemlFit, fit_products, profile
from transforms.model.column_selection import independent_columns
from transforms.model.condition_terms import ConditionTerm
from transforms.model.design_matrix import condition_values
from transforms.model.fit_result import ResponseFit
from transforms.model.load_decomposition import setting_parts
from transforms.model.specification import FACTORS

Array = NDArray[np.float64]
KINDS = {
    "machine": ("machine_id",),
    "operator": ("operator_id",),
    "grower": ("grower_id",),
    "field": ("field_id",),
    "season": ("season_start",),
}
UNKNOWN = ""
"""Label of the loads of unknown subjects: together one level of the model, which no table shows."""
FREE = 1e4
"""Variance of the subjects' levels, in variances of z, that leaves them practically unconstrained."""
NUDGE = 0.02
"""Relative change of a variance for the numerical derivative in the degrees of freedom."""


@dataclass(frozen=True)
class SubjectEffects:
    """Own levels of the subjects of one kind on the fitted scale; arrays have shape (k,) unless stated otherwise.

    Attributes:
        kind: machine, operator, grower, field or season.
        labels: the subjects.
        code: subject of each row of the fit, shape (n,).
        weight: weight of each row, shape (n,).
        settings: settings' part of z of each row, shape (n,).
        own: unshrunken effect, relative to the subjects' weighted mean.
        own_cov: covariance of `own`, shape (k, k).
        df: degrees of freedom of `own`.
        shrunken: shrunken effect with its draws.
    """

    kind: str
    labels: NDArray[np.str_]
    code: NDArray[np.int64]
    weight: Array
    settings: Array
    own: Array
    own_cov: Array
    df: Array
    shrunken: ShrunkenEffects

    @property
    def interval(self) -> tuple[Array, Array]:
        """95 % intervals of the unshrunken effects: lower and upper ends."""
        half = student.ppf(0.975, self.df) * np.sqrt(np.diag(self.own_cov))
        return self.own - half, self.own + half


def _factor(rows: pl.DataFrame, name: str, keys: tuple[str, ...]) -> Factor:
    """Return the factor of the combinations of key columns; a row without keys has the level `UNKNOWN`."""
    text = rows.select(pl.concat_str([pl.col(k).cast(pl.String) for k in keys], separator="|")).to_series()
    text = text.fill_null(UNKNOWN)
    labels, codes = np.unique(text.to_numpy().astype(str), return_inverse=True)
    return Factor(name, codes.astype(np.int64), labels.size, labels=labels)


def subject_factor(fit: ResponseFit, kind: str) -> Factor | None:
    """Return the subjects of a kind as a factor; None if the facts name fewer than two.

    Loads without a subject form the level `UNKNOWN`.

    Args:
        fit: fit of a response.
        kind: key of `KINDS`.
    """
    keys = KINDS[kind]
    if not set(keys) <= set(fit.rows.columns):
        return None
    found = _factor(fit.rows, kind, keys)
    return found if found.labels is not None and (found.labels != UNKNOWN).sum() > 1 else None


def _others(fit: ResponseFit, subjects: Factor) -> list[Factor]:
    """Return the fit's other factors and the growers, without any that has the same partition as an earlier one."""
    fitted = {n: keys for n, keys in FACTORS.items() if n in fit.reml.spans}
    out: list[Factor] = []
    for name, keys in {**fitted, "grower": KINDS["grower"]}.items():
        if name == subjects.name or not set(keys) <= set(fit.rows.columns):
            continue
        other = _factor(fit.rows, name, keys)
        if other.levels > 1 and not any(_same_partition(other, f) for f in (subjects, *out)):
            out.append(other)
    return out


def _same_partition(a: Factor, b: Factor) -> bool:
    """Return True if two factors group the rows identically and are therefore not distinguishable."""
    pairs = np.unique(np.column_stack([a.codes, b.codes]), axis=0).shape[0]
    return bool(pairs == a.levels == b.levels)


def _grower_of(factors: list[Factor]) -> NDArray[np.int64] | None:
    """Return the grower of each field if fields are the subjects and growers are in the model, else None."""
    subjects, others = factors[0], {f.name: f for f in factors[1:]}
    if subjects.name != "field" or "grower" not in others:
        return None
    return others["grower"].codes[np.unique(subjects.codes, return_index=True)[1]]


def _contrasts(factors: list[Factor], share: Array, equations: Equations) -> Array:
    """Return each subject's level less the weighted mean, shape (M, k); a field's level includes its grower's."""
    subjects, grower = factors[0], _grower_of(factors)
    contrasts = np.zeros((equations.m.r.size, subjects.levels))
    contrasts[equations.spans[subjects.name]] = np.eye(subjects.levels)
    if grower is not None:
        contrasts[equations.spans["grower"].start + grower, np.arange(subjects.levels)] = 1.0
    return np.asarray(contrasts - (contrasts @ share)[:, None])


SdDistribution = tuple[Array, Array]
"""Values of a standard deviation and their probabilities."""


@dataclass(frozen=True)
class _FirstStage:
    """Part of z subtracted before the second fit, with the variances that the second fit uses.

    Attributes:
        part: settings' and conditions' part of z, shape (n,).
        columns: their columns, shape (n, q).
        covariance: covariance of their coefficients, shape (q, q).
        variances: factor -> variance.
        residual: residual variance.
        theta_names: names of the estimated variances.
        theta_cov: covariance of the estimated variances.
        sd_distribution: distribution of the subjects' standard deviation.
        wider: factor on each level's standard error for the estimation of variances, shape (k,).
    """

    part: Array
    columns: Array
    covariance: Array
    variances: dict[str, float]
    residual: float
    theta_names: tuple[str, ...]
    theta_cov: Array
    sd_distribution: SdDistribution
    wider: Array


def _conditions(fit: ResponseFit, factors: list[Factor], settings: Array, w: Array) -> tuple[RemlFit, Array]:
    """Return the first fit and its columns of conditions, shape (n, d)."""
    values = condition_values(fit.rows, fit.frame)
    lines = np.hstack([t.at(values) for t in fit.frame.fixed_terms if isinstance(t, ConditionTerm)])
    X = np.column_stack([np.ones(fit.pseudo.size), lines[:, np.ptp(lines, axis=0) > 0]])
    # If clay does not vary, for example, wetness x clay is collinear with wetness.
    X = X[:, independent_columns(X.T @ X, list(range(X.shape[1])))]
    blocks = [DenseBlock(t.block, t.at(values)) for t in fit.frame.shrunk_terms if isinstance(t, ConditionTerm)]
    reml = fit_products(cross_products(fit.pseudo - settings, X, blocks, factors, w))
    return reml, np.hstack([X, *(b.columns for b in blocks)])


def _widening(reml: RemlFit, kind: str) -> Array:
    """Return the factor by which estimated variances widen each level's standard error, shape (k,).

    Kackar and Harville (1984).
    """
    span = reml.spans[kind]
    L = np.zeros((span.stop - span.start, reml.coef.size))
    L[:, span] = np.eye(L.shape[0]) - 1 / L.shape[0]
    plain = np.einsum("km,mk->k", L, reml.covariances(L.T))
    return np.asarray(np.sqrt(np.maximum(np.diag(draws_covariance(reml, L)) / np.maximum(plain, 1e-300), 1.0)))


class _FirstFit(NamedTuple):
    """First fit, its columns of conditions, shape (n, d), and the distribution of each factor's standard deviation."""

    reml: RemlFit
    columns: Array
    sd_distributions: dict[str, SdDistribution]


def _first_fit(fit: ResponseFit, factors: list[Factor], settings: Array, w: Array) -> _FirstFit:
    """Return the first fit, which all kinds of subjects share."""
    by_name = sorted(factors, key=lambda f: f.name)
    reml, D = _conditions(fit, by_name, settings, w)
    return _FirstFit(reml, D, {f.name: profile(reml, f.name) for f in by_name})


def _first_stage(fit: ResponseFit, factors: list[Factor], settings: Array, w: Array) -> _FirstStage:
    """Return the part of z subtracted before the second fit."""
    model = "levels beside " + ", ".join(sorted(f.name for f in factors))
    reml, D, sd_distributions = fit.cached(model, lambda: _first_fit(fit, factors, settings, w))
    setting_part, d = setting_columns(fit), D.shape[1]
    variances = {**reml.variances, **{name: float(p @ sd) ** 2 for name, (sd, p) in sd_distributions.items()}}
    return _FirstStage(
        settings + D[:, 1:] @ reml.coef[1:d],
        np.hstack([setting_part.G, D[:, 1:] - D[:, 1:].mean(axis=0)]),
        block_diag(setting_part.covariance, reml.cov_core[1:d, 1:d]),
        variances,
        reml.residual,
        reml.theta_names,
        reml.theta_cov,
        sd_distributions[factors[0].name],
        _widening(reml, factors[0].name),
    )


def _degrees_of_freedom(
    equations: Equations, first: _FirstStage, variances: dict[str, float], L: Array, V: Array
) -> Array:
    """Return Satterthwaite's degrees of freedom, shape (k,), with numerical derivatives by each variance."""
    gradient = np.zeros((len(first.theta_names), V.size))
    for i, name in enumerate(first.theta_names):
        if first.theta_cov[i, i] <= 0 or variances.get(name, FREE) >= FREE:
            continue
        value = first.residual if name == "residual" else variances[name]
        residual = value * (1 + NUDGE) if name == "residual" else first.residual
        changed = variances if name == "residual" else {**variances, name: value * (1 + NUDGE)}
        s = equations.solve({k: v for k, v in changed.items() if k in equations.spans}, residual)
        moved = residual * np.einsum("mk,mk->k", L, equations.inverse(s, L))
        gradient[i] = (moved - V) / (NUDGE * value)
    variance_of_v = np.einsum("ik,ij,jk->k", gradient, first.theta_cov, gradient)
    return np.asarray(np.maximum(2 * V**2 / np.maximum(variance_of_v, 1e-300), 1.0))


def _weighted_products(factors: list[Factor], columns: Array, w: Array) -> Array:
    """Return M'W times the subtracted columns, with M the second fit's intercept and factors."""
    weighted, parts = columns * w[:, None], [(columns * w[:, None]).sum(axis=0, keepdims=True)]
    for f in factors:
        rows = np.arange(f.codes.size)
        parts.append(sp.csr_matrix((np.ones(rows.size), (f.codes, rows)), shape=(f.levels, rows.size)) @ weighted)
    return np.vstack(parts)


def estimate_subject_effects(fit: ResponseFit, kind: str) -> SubjectEffects | None:
    """Return the effects of the subjects of a kind; None if there are fewer than two distinguishable subjects.

    Args:
        fit: fit of a response.
        kind: key of `KINDS`.
    """
    subjects = subject_factor(fit, kind)
    if subjects is None or subjects.labels is None:
        return None
    factors, w = [subjects, *_others(fit, subjects)], fit.s2 / (fit.s2 + fit.known)
    settings = setting_parts(fit).sum(axis=1)
    first = _first_stage(fit, factors, settings, w)
    equations = Equations(cross_products(fit.pseudo - first.part, np.ones((fit.pseudo.size, 1)), [], factors, w))
    variances = {**first.variances, kind: FREE * float(np.var(fit.pseudo))}
    variances = {k: v for k, v in variances.items() if k in equations.spans}
    solution = equations.solve(variances, first.residual)
    share = np.bincount(subjects.codes, weights=w, minlength=subjects.levels) / w.sum()
    L = _contrasts(factors, share, equations)
    inverse = equations.inverse(solution, L)
    own, cov = L.T @ solution.coef, first.residual * (L.T @ inverse)
    df = _degrees_of_freedom(equations, first, {**variances, "residual": first.residual}, L, np.diag(cov).copy())
    sensitivity = inverse.T @ _weighted_products(factors, first.columns, w)
    cov = cov * np.outer(first.wider, first.wider) + sensitivity @ first.covariance @ sensitivity.T
    cov = (cov + cov.T) / 2
    grower = _grower_of(factors)
    shared = np.zeros_like(cov) if grower is None else first.variances["grower"] * np.equal.outer(grower, grower)
    shrunken = shrink_effects(own, cov, share, *first.sd_distribution, shared, float(np.median(df)))
    return SubjectEffects(kind, subjects.labels, subjects.codes, w, settings, own, cov, df, shrunken)
