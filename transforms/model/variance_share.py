"""How much of the spread of dirt comes from conditions, each setting, machines, operators, fields, days, lab, the rest.

Correlated sources are shared out by covariance: share_s = cov(f_s, eta) / total with eta the sum of all f. That is the
Shapley value of the game v(S) = Var(sum of f over S): nobody's order of entry matters. METHODS.md, section 5.
"""

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.stats import norm

from transforms.model.decompose import INTERCEPTS, dense_passes, source_of
from transforms.model.fit import ResponseFit

Array = NDArray[np.float64]
DRAWS = 300
SEED = 20_251_103
MOST_ROWS = 4000
DAYS = ("machine_day", "site_day")
SHARE_SCHEMA = {
    "response": pl.String,
    "source": pl.String,
    "kind": pl.String,
    "share": pl.Float64,
    "lo95": pl.Float64,
    "hi95": pl.Float64,
    "says": pl.String,
}


def _sources(fit: ResponseFit) -> tuple[list[tuple[str, str]], NDArray[np.int64]]:
    """Return the sources of the columns of D as (name, kind), and which source each column belongs to; -1 for none."""
    found: list[tuple[str, str]] = []
    of = np.full(fit.width, -1)
    settings = fit.settings
    for label, i in fit.at.items():
        name = label.removeprefix("bend of ").split("[")[0].split(" by ")[0].split(" on ")[0]
        if condition := source_of(label):
            source = (condition, "condition")
        elif label.startswith(("visit mean", "without ")):
            source = ("visit", "visit")
        elif name in settings:
            source = (name, "setting")
        else:
            continue
        if source not in found:
            found.append(source)
        of[i] = found.index(source)
    return found, of


def _sample(fit: ResponseFit) -> Array:
    """The columns of D for at most 4,000 rows, evenly taken, centred."""
    every = max(-(-fit.z.size // MOST_ROWS), 1)
    D = np.vstack([columns[(-rows.start) % every :: every] for rows, columns, _ in dense_passes(fit)])
    return np.asarray(D - D.mean(axis=0))


def _whole_departures(fit: ResponseFit, D: Array) -> Array:
    """Give each setting its whole departure, within and between, at its within slope; the visit keeps what is beyond.

    The visit's column of a setting then stands for the difference of the two slopes.
    """
    out = D.copy()
    for label, i in fit.at.items():
        beyond = fit.at.get(f"visit mean {label}")
        if beyond is not None:
            out[:, i] = D[:, i] + D[:, beyond]
    return out


def _turned(fit: ResponseFit) -> Array:
    """The change of coefficients that goes with `_whole_departures`: a visit's slope less the within slope."""
    turn = np.eye(fit.width)
    for label, i in fit.at.items():
        beyond = fit.at.get(f"visit mean {label}")
        if beyond is not None:
            turn[beyond, i] = -1.0
    return turn


def _covariances(D: Array, of: NDArray[np.int64], count: int, coefs: Array) -> Array:
    """cov(f_s, eta) of each source for each row of `coefs`, shape (draws, sources)."""
    G = D.T @ D / D.shape[0]
    pulled = coefs @ G
    out = np.zeros((coefs.shape[0], count))
    for s in range(count):
        out[:, s] = (coefs[:, of == s] * pulled[:, of == s]).sum(axis=1)
    return out


def _dense_shares(fit: ResponseFit) -> tuple[list[tuple[str, str]], Array, Array]:
    """Return the sources of D, their covariances with eta less the noise of estimating, and draws about them."""
    sources, of = _sources(fit)
    turn = _turned(fit)
    D, coef = _whole_departures(fit, _sample(fit)), turn @ fit.reml.coef[: fit.width]
    values, vectors = np.linalg.eigh(turn @ fit.reml.cov_core @ turn.T)
    normal = np.random.default_rng(SEED).standard_normal((DRAWS, fit.width))
    noise = (normal * np.sqrt(np.maximum(values, 0))) @ vectors.T
    fixed = np.arange(fit.width) < fit.reml.p
    plain = _covariances(D, of, len(sources), coef[None, :])[0]
    # A fixed coefficient's error adds to its square, a prediction's is missing from it.
    by_fixed = _covariances(D, of, len(sources), coef + noise * fixed).mean(axis=0) - plain
    by_shrunk = _covariances(D, of, len(sources), coef + noise * ~fixed).mean(axis=0) - plain
    point = plain - by_fixed + by_shrunk
    drawn = _covariances(D, of, len(sources), coef + noise)
    return sources, point, drawn - drawn.mean(axis=0) + point


def _factor_rows(fit: ResponseFit) -> list[tuple[str, str, float, float, float | None]]:
    """(source, kind, variance, lowest, highest) of each intercept, and of slopes by machine under their setting."""
    out = []
    names = fit.reml.theta_names
    m = fit.reml.equations.m
    for name, span in m.factors.items():
        mean_square = float(m.FF.diagonal()[span.start - m.d : span.stop - m.d].sum()) / float(m.DD[0, 0])
        variance, se = fit.reml.variances[name], float(np.sqrt(fit.reml.theta_cov[names.index(name), names.index(name)]))
        factor = float(np.exp(norm.ppf(0.975) * se / variance)) if se > 0 else None
        source = name.removeprefix("machine slope of ")
        kind = "setting" if source != name else name
        value = variance * mean_square
        out.append((source, kind, value, value / factor if factor else 0.0, value * factor if factor else None))
    return out


def variance_shares(fit: ResponseFit) -> pl.DataFrame:
    """Return the `variance_share` rows of a fit; shares add up to one.

    Intervals: of conditions and settings from draws of the coefficients, of intercepts from the variances' own errors on
    the log scale; null where a variance is on the boundary of zero.
    """
    sources, point, draws = _dense_shares(fit)
    lab = float(np.mean(fit.known))
    factors = _factor_rows(fit)
    total = float(point.sum()) + sum(f[2] for f in factors) + lab + fit.reml.residual
    rows: dict[tuple[str, str], list[float | None]] = {}
    for s, source in enumerate(sources):
        low, high = np.quantile(draws[:, s], (0.025, 0.975))
        rows[source] = [float(point[s]), float(low), float(high)]
    for name, kind, value, low, high in factors:
        source = ("day", "day") if name in DAYS else (name, kind if kind not in INTERCEPTS else name)
        held = rows.setdefault(source, [0.0, 0.0, 0.0])
        rows[source] = [
            (held[0] or 0.0) + value, (held[1] or 0.0) + low,
            None if held[2] is None or (high is None and kind != "setting") else held[2] + (high or 0.0),
        ]  # fmt: skip
    rows["lab", "lab"] = [lab, lab, lab]
    k = fit.reml.theta_names.index("residual")
    wide = float(np.exp(norm.ppf(0.975) * np.sqrt(fit.reml.theta_cov[k, k]) / fit.reml.residual))
    rows["unexplained", "unexplained"] = [fit.reml.residual, fit.reml.residual / wide, fit.reml.residual * wide]
    table = [
        {"response": fit.response, "source": name, "kind": kind, "share": (v[0] or 0.0) / total,
         "lo95": (v[1] or 0.0) / total, "hi95": v[2] / total if v[2] is not None else None,
         "says": "share of variance" if v[2] is not None else "on the boundary: no spread found"}
        for (name, kind), v in rows.items()
    ]  # fmt: skip
    silent = [
        {"response": fit.response, "source": name, "kind": name, "says": f"not told apart: {why}"}
        for name, why in fit.left_out.items()
    ]
    return pl.DataFrame([*table, *silent], schema=SHARE_SCHEMA)
