"""What each machine, operator, grower or field adds of its own, by a model of its own without visit means.

The fit's visit means take part of what machines and operators differ by, so its own predictions of them are not fair.
Here the settings' within-visit effects b^ are taken off, and what is left is fitted anew, first with conditions,

    z - S b^ = conditions c^ + field + machine + operator + machine-day + site-day (+ grower) + e                (15)

then with these taken off as well and the subjects' own levels bound by nothing: so a subject's residuals sum to zero
and observed less expected is exactly settings + own level. z are the fit's pseudo-values (model/tails.py): a gross
laboratory error is not part of any subject's level. The levels carry the error of b^ and c^:

    Cov(u^) = Cov(u^ | b^, c^) + A [S C] Cov(b^, c^) [S C]' A',   A the linear map of the second fit             (16)

Variances that the data hardly tell (few operators, say) are not taken for what REML finds, which is often nothing, but
for the square of the mean of s over the restricted likelihood. The shrunken levels are the better guess when many are
looked at, and what ranks rest on (shrunken.py).
"""

from dataclasses import dataclass

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
from transforms.model.condition_terms import condition_curves, condition_lines
from transforms.model.design_matrix import condition_values
from transforms.model.fit import FACTORS, ResponseFit, independent_columns
from transforms.model.load_decomposition import setting_parts

Array = NDArray[np.float64]
KINDS = {
    "machine": ("machine_id",),
    "operator": ("operator_id",),
    "grower": ("grower_id",),
    "field": ("field_id",),
    "season": ("season_start",),
}
UNKNOWN = ""
"""Label of the loads whose subject is not known: together one level of the model that no table shows."""
FREE = 1e4
"""Variance of a subject's own level, in variances of z, that binds it no more."""
NUDGE = 0.02
"""Relative change of a variance for the derivative that the degrees of freedom need."""


@dataclass(frozen=True)
class SubjectEffects:
    """Own levels of the subjects of one kind, on the fitted scale; all arrays of shape (k,) unless said.

    Attributes:
        kind: machine, operator, grower, field or season.
        labels: the subjects.
        code: subject of each row of the fit, shape (n,).
        weight: weight of each row, shape (n,).
        settings: settings' part of each row, shape (n,).
        own: unshrunken own level, about the subjects' mean by weight.
        own_cov: its covariance, shape (k, k).
        df: its degrees of freedom.
        shrunken: draws and intervals of the shrunken own level.
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
        """The 95 % interval of the unshrunken own levels."""
        half = student.ppf(0.975, self.df) * np.sqrt(np.diag(self.own_cov))
        return self.own - half, self.own + half


def _factor(rows: pl.DataFrame, name: str, keys: tuple[str, ...]) -> Factor:
    text = rows.select(pl.concat_str([pl.col(k).cast(pl.String) for k in keys], separator="|")).to_series()
    text = text.fill_null(UNKNOWN)
    labels, codes = np.unique(text.to_numpy().astype(str), return_inverse=True)
    return Factor(name, codes.astype(np.int64), labels.size, labels=labels)


def subject_factor(fit: ResponseFit, kind: str) -> Factor | None:
    """Return the subjects of a kind; None where the facts do not name them, or name fewer than two.

    Loads without a subject are a level of their own, `UNKNOWN`.
    """
    keys = KINDS[kind]
    if not set(keys) <= set(fit.rows.columns):
        return None
    found = _factor(fit.rows, kind, keys)
    return found if found.labels is not None and (found.labels != UNKNOWN).sum() > 1 else None


def _others(fit: ResponseFit, mine: Factor) -> list[Factor]:
    """The fit's other intercepts and the growers, but for one that cannot be told from the subjects or from another."""
    asked = {n: keys for n, keys in FACTORS.items() if n in fit.reml.spans}
    out: list[Factor] = []
    for name, keys in {**asked, "grower": KINDS["grower"]}.items():
        if name == mine.name or not set(keys) <= set(fit.rows.columns):
            continue
        other = _factor(fit.rows, name, keys)
        if other.levels > 1 and not any(_same_partition(other, f) for f in (mine, *out)):
            out.append(other)
    return out


def _same_partition(a: Factor, b: Factor) -> bool:
    pairs = np.unique(np.column_stack([a.codes, b.codes]), axis=0).shape[0]
    return bool(pairs == a.levels == b.levels)


def _grower_of(factors: list[Factor]) -> NDArray[np.int64] | None:
    """The grower of each field where fields are the subjects and growers are in the model."""
    mine, others = factors[0], {f.name: f for f in factors[1:]}
    if mine.name != "field" or "grower" not in others:
        return None
    return others["grower"].codes[np.unique(mine.codes, return_index=True)[1]]


def _contrasts(factors: list[Factor], share: Array, equations: Equations) -> Array:
    """Each subject's level less the mean by weight, shape (M, k); a field's level holds its grower's."""
    mine, grower = factors[0], _grower_of(factors)
    at = np.zeros((equations.m.r.size, mine.levels))
    at[equations.spans[mine.name]] = np.eye(mine.levels)
    if grower is not None:
        at[equations.spans["grower"].start + grower, np.arange(mine.levels)] = 1.0
    return np.asarray(at - (at @ share)[:, None])


Spread = tuple[Array, Array]
"""Values of a standard deviation and their probabilities."""


@dataclass(frozen=True)
class _Known:
    """What is taken off before the second fit: its part of z, its columns and the covariance of their coefficients."""

    part: Array
    columns: Array
    covariance: Array
    variances: dict[str, float]
    residual: float
    theta_names: tuple[str, ...]
    theta_cov: Array
    spread: Spread
    wider: Array


def _conditions(fit: ResponseFit, factors: list[Factor], settings: Array, w: Array) -> tuple[RemlFit, Array]:
    """The first fit, and its columns of conditions."""
    terms, values = fit.frame.terms, condition_values(fit.rows, fit.frame)
    lines, _ = condition_lines(values, terms.conditions, surface=terms.surface)
    X = np.column_stack([np.ones(fit.pseudo.size), lines[:, np.ptp(lines, axis=0) > 0]])
    # Without variation of clay, say, wetness x clay is wetness once more.
    X = X[:, independent_columns(X.T @ X, list(range(X.shape[1])))]
    blocks = [DenseBlock(n, c) for n, c in condition_curves(values, terms.conditions, surface=terms.surface).items()]
    reml = fit_products(cross_products(fit.pseudo - settings, X, blocks, factors, w))
    return reml, np.hstack([X, *(b.columns for b in blocks)])


def _wider(reml: RemlFit, kind: str) -> Array:
    """By how much estimated variances widen each level's standard error, by Kackar and Harville (1984), shape (k,)."""
    span = reml.spans[kind]
    L = np.zeros((span.stop - span.start, reml.coef.size))
    L[:, span] = np.eye(L.shape[0]) - 1 / L.shape[0]
    plain = np.einsum("km,mk->k", L, reml.covariances(L.T))
    return np.asarray(np.sqrt(np.maximum(np.diag(draws_covariance(reml, L)) / np.maximum(plain, 1e-300), 1.0)))


def _first_fit(
    fit: ResponseFit, factors: list[Factor], settings: Array, w: Array
) -> tuple[RemlFit, Array, dict[str, Spread]]:
    """The first fit, its columns of conditions, and what is left open of each variance; one for all kinds in it."""
    by_name = sorted(factors, key=lambda f: f.name)
    reml, D = _conditions(fit, by_name, settings, w)
    return reml, D, {f.name: profile(reml, f.name) for f in by_name}


def _known(fit: ResponseFit, factors: list[Factor], settings: Array, w: Array) -> _Known:
    model = "levels beside " + ", ".join(sorted(f.name for f in factors))
    reml, D, open_ = fit.once(model, lambda: _first_fit(fit, factors, settings, w))
    found, d = setting_columns(fit), D.shape[1]
    variances = {**reml.variances, **{name: float(p @ sd) ** 2 for name, (sd, p) in open_.items()}}
    return _Known(
        settings + D[:, 1:] @ reml.coef[1:d],
        np.hstack([found.G, D[:, 1:] - D[:, 1:].mean(axis=0)]),
        block_diag(found.covariance, reml.cov_core[1:d, 1:d]),
        variances,
        reml.residual,
        reml.theta_names,
        reml.theta_cov,
        open_[factors[0].name],
        _wider(reml, factors[0].name),
    )


def _degrees_of_freedom(equations: Equations, known: _Known, at: dict[str, float], L: Array, V: Array) -> Array:
    """Satterthwaite's, with the derivative of each variance by solving again at nudged variances."""
    gradient = np.zeros((len(known.theta_names), V.size))
    for i, name in enumerate(known.theta_names):
        if known.theta_cov[i, i] <= 0 or at.get(name, FREE) >= FREE:
            continue
        value = known.residual if name == "residual" else at[name]
        residual = value * (1 + NUDGE) if name == "residual" else known.residual
        nudged = at if name == "residual" else {**at, name: value * (1 + NUDGE)}
        s = equations.solve({k: v for k, v in nudged.items() if k in equations.spans}, residual)
        moved = residual * np.einsum("mk,mk->k", L, equations.inverse(s, L))
        gradient[i] = (moved - V) / (NUDGE * value)
    wobble = np.einsum("ik,ij,jk->k", gradient, known.theta_cov, gradient)
    return np.asarray(np.maximum(2 * V**2 / np.maximum(wobble, 1e-300), 1.0))


def _pushed(factors: list[Factor], columns: Array, w: Array) -> Array:
    """M'W of the columns taken off, M the second fit's: its intercept and its factors."""
    weighted, parts = columns * w[:, None], [(columns * w[:, None]).sum(axis=0, keepdims=True)]
    for f in factors:
        rows = np.arange(f.codes.size)
        parts.append(sp.csr_matrix((np.ones(rows.size), (f.codes, rows)), shape=(f.levels, rows.size)) @ weighted)
    return np.vstack(parts)


def estimate_subject_effects(fit: ResponseFit, kind: str) -> SubjectEffects | None:
    """Return the own levels of the subjects of a kind; None where there are not two to tell apart."""
    mine = subject_factor(fit, kind)
    if mine is None or mine.labels is None:
        return None
    factors, w = [mine, *_others(fit, mine)], fit.s2 / (fit.s2 + fit.known)
    settings = setting_parts(fit).sum(axis=1)
    known = _known(fit, factors, settings, w)
    equations = Equations(cross_products(fit.pseudo - known.part, np.ones((fit.pseudo.size, 1)), [], factors, w))
    at = {**known.variances, kind: FREE * float(np.var(fit.pseudo))}
    at = {k: v for k, v in at.items() if k in equations.spans}
    s = equations.solve(at, known.residual)
    share = np.bincount(mine.codes, weights=w, minlength=mine.levels) / w.sum()
    L = _contrasts(factors, share, equations)
    inverse = equations.inverse(s, L)
    own, cov = L.T @ s.coef, known.residual * (L.T @ inverse)
    df = _degrees_of_freedom(equations, known, {**at, "residual": known.residual}, L, np.diag(cov).copy())
    taken = inverse.T @ _pushed(factors, known.columns, w)
    cov = cov * np.outer(known.wider, known.wider) + taken @ known.covariance @ taken.T
    cov = (cov + cov.T) / 2
    grower = _grower_of(factors)
    together = np.zeros_like(cov) if grower is None else known.variances["grower"] * np.equal.outer(grower, grower)
    drawn = shrink_effects(own, cov, share, *known.spread, together, float(np.median(df)))
    return SubjectEffects(kind, mine.labels, mine.codes, w, settings, own, cov, df, drawn)
