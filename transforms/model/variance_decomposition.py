"""Variance decomposition of a response: conditions, settings, machines, operators, fields, days, laboratory, residual.

The variance of correlated sources is divided by covariance: share_s = cov(f_s, eta) / total with eta the sum of all f.
That is the Shapley value of the game v(S) = Var(sum of f over S), so the order of sources does not matter. METHODS.md,
section 5.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.stats import norm

from transforms.arrays import Array, Mask
from transforms.contracts.reason import reason
from transforms.contracts.result_tables import schema_of
from transforms.model.condition_terms import ConditionTerm
from transforms.model.direct_conditions import direct_conditions
from transforms.model.fit_result import ResponseFit
from transforms.model.fit_rows import dense_passes
from transforms.model.load_decomposition import parts_of_z, source_of
from transforms.model.setting_terms import SettingEffect, SettingSquare, VisitMean
from transforms.model.visits import visit_means

DRAWS = 300
SEED = 20_251_103
MAX_ROWS = 4000
"""Maximum number of rows in the covariance of columns."""
MAX_TOTAL_RATIO = 2.0
"""No shares are given if the sources add up to more than this multiple of the variance, or less than its inverse."""
SHARE_SCHEMA = schema_of("variance_share")


@dataclass(frozen=True)
class _SourceColumns:
    """Columns of conditions and settings for some rows; a coefficient that settings share has a column for each.

    Attributes:
        G: products of the centred columns over the number of rows, shape (q, q).
        coefficient: index of each column's coefficient, shape (q,).
        source: condition source or setting -> its columns.
    """

    G: Array
    coefficient: NDArray[np.int64]
    source: dict[str, NDArray[np.int64]]


def _source_of_columns(fit: ResponseFit) -> dict[str, list[int]]:
    """Return the columns of D of each condition source and each setting."""
    out: dict[str, list[int]] = {}
    for term in fit.frame.dense_terms:
        places = fit.coefficients_of(term)[1]
        source = source_of(term) if isinstance(term, ConditionTerm) else term.setting
        if places and source and term.kind in {"condition", "within"}:
            out.setdefault(source, []).extend(places)
    return out


def _squares(fit: ResponseFit, every: int) -> dict[str, tuple[int, Array]]:
    """Return index and column of each setting in a shared bend for every k-th row: departures from the visit mean."""
    out = {}
    for name in fit.settings:
        for curve in fit.frame.curves(name):
            if isinstance(curve, SettingSquare) and (shared := fit.coefficients_of(curve)[1]):
                j = fit.setting_column(name)
                half = curve.at_steps(fit.x[:, j])
                departures = (half - visit_means(half, fit.visits))[:, 0] * fit.observed[:, j]
                out[name] = (shared[0], departures[::every])
    return out


def _source_columns(fit: ResponseFit) -> _SourceColumns:
    """Return the columns of up to 4,000 evenly spaced rows; columns of settings include their visit means."""
    every = max(-(-fit.z.size // MAX_ROWS), 1)
    D = np.vstack([columns[(-rows.start) % every :: every] for rows, columns, _ in dense_passes(fit)])
    for setting in fit.settings:
        if fit.contains(mean := VisitMean(setting)):
            D[:, fit.index_of(SettingEffect(setting))] += D[:, fit.index_of(mean)]
    squares, source = _squares(fit, every), _source_of_columns(fit)
    for i, setting in enumerate(squares):
        source[setting] = [*source.get(setting, []), fit.width + i]
    D = np.column_stack([D, *(column for _, column in squares.values())])
    D = D - D.mean(axis=0)
    coefficient = np.array([*range(fit.width), *(shared for shared, _ in squares.values())], dtype=int)
    return _SourceColumns(D.T @ D / D.shape[0], coefficient, {k: np.array(v) for k, v in source.items()})


def _error_products(fit: ResponseFit, columns: _SourceColumns) -> Array:
    """Return the products of the columns times the covariances of their coefficients, shape (q, q)."""
    at, direct = columns.coefficient, direct_conditions(fit)
    return np.asarray(columns.G * (direct @ fit.reml.cov_core @ direct.T)[np.ix_(at, at)])


def _noise(products: Array, is_fixed: Mask, own: NDArray[np.int64]) -> float:
    """Return the correction of a source's covariance for estimation error.

    Errors of fixed coefficients inflate the covariance; prediction of random ones shrinks it.

    Args:
        products: result of `_error_products`, shape (q, q).
        is_fixed: True for columns of fixed coefficients, shape (q,).
        own: columns of the source.
    """
    inflation = products[np.ix_(own[is_fixed[own]], is_fixed)].sum()
    shrinkage = products[np.ix_(own[~is_fixed[own]], ~is_fixed)].sum()
    return float(shrinkage - inflation)


def _share_intervals(fit: ResponseFit, columns: _SourceColumns) -> dict[str, tuple[float, float]]:
    """Return the 95 % interval of each source's covariance relative to its mean, from draws of the coefficients."""
    values, vectors = np.linalg.eigh(fit.reml.cov_core)
    normal = np.random.default_rng(SEED).standard_normal((DRAWS, fit.width))
    coefs = fit.reml.coef[: fit.width] + (normal * np.sqrt(np.maximum(values, 0))) @ vectors.T
    coefs = (coefs @ direct_conditions(fit).T)[:, columns.coefficient]
    products = coefs @ columns.G
    out = {}
    for source, own in columns.source.items():
        drawn = (coefs[:, own] * products[:, own]).sum(axis=1)
        low, high = np.quantile(drawn, (0.025, 0.975)) - drawn.mean()
        out[source] = (float(low), float(high))
    return out


@dataclass
class _Share:
    """A source's variance and its interval relative to it; `high` is None if a variance is on the boundary."""

    kind: str
    value: float
    low: float
    high: float | None


def _variance(fit: ResponseFit, name: str) -> _Share:
    """Return the variance that a factor adds to z, with its interval.

    The interval is on the log scale if the standard error is smaller than the variance.
    """
    names, m, span = fit.reml.theta_names, fit.reml.equations.m, fit.reml.equations.m.factors[name]
    mean_square = float(m.FF.diagonal()[span.start - m.d : span.stop - m.d].sum()) / float(m.DD[0, 0])
    variance, k = fit.reml.variances[name], names.index(name)
    se = float(np.sqrt(fit.reml.theta_cov[k, k]))
    if se == 0:
        return _Share(name, variance * mean_square, 0.0, None)
    if se < variance:
        factor = float(np.exp(norm.ppf(0.975) * se / variance))
        low, high = variance / factor, variance * factor
    else:
        low, high = 0.0, variance + float(norm.ppf(0.975)) * se
    return _Share(name, variance * mean_square, low * mean_square, high * mean_square)


def _sources(fit: ResponseFit) -> dict[str, _Share]:
    """Return the covariance of each realised part with their sum, corrected for estimation error."""
    parts = parts_of_z(fit)[:-1]
    moved = np.column_stack([p - p.mean() for *_, p in parts])
    eta = moved.sum(axis=1)
    out = {name: _Share(kind, float(moved[:, i] @ eta) / eta.size, 0.0, 0.0) for i, (name, kind, _) in enumerate(parts)}
    columns = _source_columns(fit)
    products, is_fixed = _error_products(fit, columns), columns.coefficient < fit.reml.p
    for source, (low, high) in _share_intervals(fit, columns).items():
        out[source].value += _noise(products, is_fixed, columns.source[source])
        out[source].low, out[source].high = low, high
    sloped = _sloped(fit)
    for name in fit.reml.equations.m.factors:
        share = _variance(fit, name)
        total = out[sloped.get(name, name)]
        realised = float(np.mean(_realised(fit, name) ** 2))
        total.value += share.value - realised
        total.low += share.low - share.value
        total.high = None if share.high is None or total.high is None else total.high + share.high - share.value
    return out


def _sloped(fit: ResponseFit) -> dict[str, str]:
    """Return the setting of each factor that is a machine slope."""
    return {slope.name: slope.setting for slope in fit.frame.slopes}


def _realised(fit: ResponseFit, name: str) -> Array:
    """Return the contribution of a factor's predictions to each row, shape (n,)."""
    u = fit.reml.u[name][fit.levels(name)]
    setting = _sloped(fit).get(name)
    if setting is None:
        return u
    x = fit.x[:, fit.setting_column(setting)]
    return np.asarray(u * (x - visit_means(x[:, None], fit.visits)[:, 0]))


def variance_shares(fit: ResponseFit) -> pl.DataFrame:
    """Return the `variance_share` rows of a fit; shares add up to one.

    Intervals of conditions and settings are from draws of the coefficients, those of intercepts from the standard
    errors of the variances; they are null if a variance is on the zero boundary. A share is negative if its source
    offsets the others. If the parts are mostly noise, there is one row without a share.
    """
    found = _sources(fit)
    lab, k = float(np.mean(fit.known)), fit.reml.theta_names.index("residual")
    wide = float(np.exp(norm.ppf(0.975) * np.sqrt(fit.reml.theta_cov[k, k]) / fit.reml.residual))
    left = fit.reml.residual
    found["lab"] = _Share("lab", lab, 0.0, 0.0)
    found["unexplained"] = _Share("unexplained", left, left / wide - left, left * wide - left)
    total = sum(s.value for s in found.values())
    if not 1 / MAX_TOTAL_RATIO < total / float(np.var(fit.pseudo)) < MAX_TOTAL_RATIO:
        no_shares = {"response": fit.response, "source": "all", "kind": "all"}
        return pl.DataFrame([{**no_shares, **reason("shares_few_loads").columns}], schema=SHARE_SCHEMA)
    days = [found.pop(name) for name in ("machine_day", "site_day") if name in found]
    if days:
        high = None if any(d.high is None for d in days) else sum(d.high or 0.0 for d in days)
        found["day"] = _Share("day", sum(d.value for d in days), sum(d.low for d in days), high)
    inside, on_boundary = reason("share_of_variance"), reason("share_on_boundary")
    rows = [
        {
            "response": fit.response,
            "source": name,
            "kind": s.kind,
            "share": s.value / total,
            "lo95": (s.value + s.low) / total,
            "hi95": None if s.high is None else (s.value + s.high) / total,
            **(inside if s.high is not None else on_boundary).columns,
        }
        for name, s in found.items()
    ]
    rows += [
        {"response": fit.response, "source": name, "kind": name, **reason("source_left_out", why=why).columns}
        for name, why in fit.left_out.items()
    ]
    return pl.DataFrame(rows, schema=SHARE_SCHEMA)
