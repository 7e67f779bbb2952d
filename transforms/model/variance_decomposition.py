"""How much of the spread of dirt comes from conditions, each setting, machines, operators, fields, days, lab, the rest.

Correlated sources are shared out by covariance: share_s = cov(f_s, eta) / total with eta the sum of all f. That is the
Shapley value of the game v(S) = Var(sum of f over S): nobody's order of entry matters. METHODS.md, section 5.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.stats import norm

from transforms.model.design_matrix import visit_means
from transforms.model.fit import ResponseFit
from transforms.model.fit_rows import dense_passes
from transforms.model.load_decomposition import parts_of_z, source_of

Array = NDArray[np.float64]
DRAWS = 300
SEED = 20_251_103
MOST_ROWS = 4000
MOST_ASTRAY = 2.0
"""Parts that add up to more than so many times the variance, or less than its inverse, are noise: nothing is said."""
SHARE_SCHEMA = {
    "response": pl.String,
    "source": pl.String,
    "kind": pl.String,
    "share": pl.Float64,
    "lo95": pl.Float64,
    "hi95": pl.Float64,
    "says": pl.String,
}


def _source_of_columns(fit: ResponseFit) -> dict[str, NDArray[np.int64]]:
    """Return the columns of D of each condition source and each setting."""
    out: dict[str, list[int]] = {}
    settings = set(fit.settings)
    for label, i in fit.at.items():
        name = label.removeprefix("bend of ").split("[", 1)[0].split(" by ", 1)[0].split(" on ", 1)[0]
        source = source_of(label) or (name if name in settings else None)
        if source and not label.startswith(("visit mean", "without ")):
            out.setdefault(source, []).append(i)
    return {k: np.array(v) for k, v in out.items()}


def _sample(fit: ResponseFit) -> Array:
    """The columns of D for at most 4,000 rows, evenly taken, centred; a setting's with its departure between visits."""
    every = max(-(-fit.z.size // MOST_ROWS), 1)
    D = np.vstack([columns[(-rows.start) % every :: every] for rows, columns, _ in dense_passes(fit)])
    for setting in fit.settings:
        if (mean := fit.at.get(f"visit mean {setting}")) is not None:
            D[:, fit.at[setting]] += D[:, mean]
    return np.asarray(D - D.mean(axis=0))


def _noise(fit: ResponseFit, G: Array, mine: NDArray[np.int64]) -> float:
    """What estimating does to a source's covariance: a fixed coefficient's error adds, a prediction's is missing."""
    V, p = fit.reml.cov_core, fit.reml.p
    fixed = mine[mine < p]
    shrunk = mine[mine >= p]
    adds = float((G[fixed, :p] * V[fixed, :p]).sum())
    lacks = float((G[shrunk, p:] * V[shrunk, p:]).sum())
    return lacks - adds


def _spread(fit: ResponseFit, G: Array, columns: dict[str, NDArray[np.int64]]) -> dict[str, tuple[float, float]]:
    """Return how far draws of the coefficients carry each source's covariance below and above its mean."""
    values, vectors = np.linalg.eigh(fit.reml.cov_core)
    normal = np.random.default_rng(SEED).standard_normal((DRAWS, fit.width))
    coefs = fit.reml.coef[: fit.width] + (normal * np.sqrt(np.maximum(values, 0))) @ vectors.T
    pulled = coefs @ G
    out = {}
    for source, mine in columns.items():
        drawn = (coefs[:, mine] * pulled[:, mine]).sum(axis=1)
        low, high = np.quantile(drawn, (0.025, 0.975)) - drawn.mean()
        out[source] = (float(low), float(high))
    return out


@dataclass
class _Share:
    """A source's variance with its interval; `high` is None where a variance is on the boundary."""

    kind: str
    value: float
    low: float
    high: float | None


def _variance(fit: ResponseFit, name: str) -> _Share:
    """The variance a factor adds to z with its interval, on the log scale where it is known better than to its size."""
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
    """Covariance of each realised part with their sum, corrected for what estimating adds or lacks."""
    parts = parts_of_z(fit)[:-1]
    moved = np.column_stack([p - p.mean() for *_, p in parts])
    eta = moved.sum(axis=1)
    out = {name: _Share(kind, float(moved[:, i] @ eta) / eta.size, 0.0, 0.0) for i, (name, kind, _) in enumerate(parts)}
    D, columns = _sample(fit), _source_of_columns(fit)
    G = D.T @ D / D.shape[0]
    for source, (low, high) in _spread(fit, G, columns).items():
        out[source].value += _noise(fit, G, columns[source])
        out[source].low, out[source].high = low, high
    for name in fit.reml.equations.m.factors:
        share = _variance(fit, name)
        held = out[name.removeprefix("machine slope of ")]
        seen = float(np.mean(_realised(fit, name) ** 2))
        held.value += share.value - seen
        held.low += share.low - share.value
        held.high = None if share.high is None or held.high is None else held.high + share.high - share.value
    return out


def _realised(fit: ResponseFit, name: str) -> Array:
    """What a factor's predictions contribute to each row."""
    u = fit.reml.u[name][fit.levels(name)]
    setting = name.removeprefix("machine slope of ")
    if setting == name:
        return u
    x = fit.x[:, fit.place(setting)]
    return np.asarray(u * (x - visit_means(x[:, None], fit.visits)[:, 0]))


def variance_shares(fit: ResponseFit) -> pl.DataFrame:
    """Return the `variance_share` rows of a fit; shares add up to one.

    Intervals: of conditions and settings from draws of the coefficients, of intercepts from the variances' own errors;
    null where a variance is on the boundary of zero. A covariance share can be negative: that source works against the
    others. One row without a share where the parts are mostly noise.
    """
    found = _sources(fit)
    lab, k = float(np.mean(fit.known)), fit.reml.theta_names.index("residual")
    wide = float(np.exp(norm.ppf(0.975) * np.sqrt(fit.reml.theta_cov[k, k]) / fit.reml.residual))
    left = fit.reml.residual
    found["lab"] = _Share("lab", lab, 0.0, 0.0)
    found["unexplained"] = _Share("unexplained", left, left / wide - left, left * wide - left)
    total = sum(s.value for s in found.values())
    if not 1 / MOST_ASTRAY < total / float(np.var(fit.pseudo)) < MOST_ASTRAY:
        silent = {"response": fit.response, "source": "all", "kind": "all"}
        return pl.DataFrame([{**silent, "says": "too few loads to share the spread out"}], schema=SHARE_SCHEMA)
    days = [found.pop(name) for name in ("machine_day", "site_day") if name in found]
    if days:
        high = None if any(d.high is None for d in days) else sum(d.high or 0.0 for d in days)
        found["day"] = _Share("day", sum(d.value for d in days), sum(d.low for d in days), high)
    rows = [
        {
            "response": fit.response,
            "source": name,
            "kind": s.kind,
            "share": s.value / total,
            "lo95": (s.value + s.low) / total,
            "hi95": None if s.high is None else (s.value + s.high) / total,
            "says": "share of variance"
            if s.high is not None
            else "share of variance; a part is on the boundary of zero",
        }
        for name, s in found.items()
    ]
    rows += [
        {"response": fit.response, "source": name, "kind": name, "says": f"not told apart: {why}"}
        for name, why in fit.left_out.items()
    ]
    return pl.DataFrame(rows, schema=SHARE_SCHEMA)
