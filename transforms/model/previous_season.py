"""Last season as what is believed before this one: effects of settings, widened, dropped where this season denies them.

What last season found of the settings' fixed coefficients, mean m and covariance V, enters as k more rows

    R b = R m + e,   Var(e) = s2_e,   R'R = s2_e (WIDER^2 V)^-1                                                 (10)

so that it weighs as much as its own precision, made four times smaller: a season differs from the last (common
practice, no source). Before that this season is fitted alone; where d = b - m is too large by
d'(Cov(b) + WIDER^2 V)^-1 d / k against F(k, df), last season is not used and the check "last_season" says so.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.stats import f as fisher

from transforms.mixed_model.contrasts import covariance
from transforms.mixed_model.cross_products import CrossProducts
from transforms.mixed_model.reml import RemlFit

Array = NDArray[np.float64]
WIDER = 2.0
"""Last season's standard errors count this many times as wide."""
DENIED_P = 0.01
POSTERIOR_SCHEMA = {
    "response": pl.String,
    "label": pl.String,
    "other": pl.String,
    "mean": pl.Float64,
    "covariance": pl.Float64,
}


@dataclass(frozen=True)
class Prior:
    """What was found before: coefficients by their label, their mean of shape (k,) and covariance of shape (k, k)."""

    labels: tuple[str, ...]
    mean: Array
    covariance: Array


@dataclass(frozen=True)
class Agreement:
    """Whether this season agrees with the last: p of as large a difference by chance, and what it rests on."""

    p_value: float
    coefficients: int

    @property
    def denied(self) -> bool:
        """Whether last season is not to be used."""
        return self.p_value < DENIED_P


def within(prior: Prior, at: dict[str, int]) -> Prior | None:
    """Return the part of a prior whose coefficients are in the model; None where none is."""
    mine = [i for i, label in enumerate(prior.labels) if label in at]
    if not mine:
        return None
    return Prior(tuple(prior.labels[i] for i in mine), prior.mean[mine], prior.covariance[np.ix_(mine, mine)])


def agreement(fit: RemlFit, at: dict[str, int], prior: Prior) -> Agreement:
    """Compare a fit made without the prior with the prior."""
    L = np.zeros((len(prior.labels), fit.cov_core.shape[0]))
    L[np.arange(len(prior.labels)), [at[label] for label in prior.labels]] = 1.0
    gap = L @ fit.coef[: L.shape[1]] - prior.mean
    V = covariance(fit, L) + WIDER**2 * prior.covariance
    k = gap.size
    statistic = float(gap @ np.linalg.solve(V, gap)) / k
    left = max(fit.equations.m.n - fit.p - sum(fit.edf.values()), 1.0)
    return Agreement(float(fisher.sf(statistic, k, left)), k)


def with_prior(m: CrossProducts, at: dict[str, int], prior: Prior, s2: float) -> CrossProducts:
    """Return cross-products with the rows of (10) added; `s2` is the residual variance they are weighed by."""
    places = np.array([at[label] for label in prior.labels])
    precision = s2 * np.linalg.inv(WIDER**2 * prior.covariance)
    DD, r = m.DD.copy(), m.r.copy()
    DD[np.ix_(places, places)] += precision
    r[places] += precision @ prior.mean
    yy = m.yy + float(prior.mean @ precision @ prior.mean)
    return CrossProducts(DD, m.FD, m.FF, r, yy, m.n + places.size, m.p, m.sum_log_w, m.blocks, m.factors, m.labels)


def posterior_rows(response: str, labels: list[str], fit: RemlFit, at: dict[str, int]) -> pl.DataFrame:
    """Return `response, label, other, mean, covariance`: what the next season may start from, a row a pair."""
    places = [at[label] for label in labels]
    mean, V = fit.coef[places], fit.cov_core[np.ix_(places, places)]
    pairs = [(response, a, b, mean[i], V[i, j]) for i, a in enumerate(labels) for j, b in enumerate(labels)]
    return pl.DataFrame(pairs, schema=POSTERIOR_SCHEMA, orient="row")


def prior_of(rows: pl.DataFrame, response: str) -> Prior | None:
    """Return the prior that `posterior_rows` of an earlier season hold for a response."""
    mine = rows.filter(pl.col("response") == response).sort("label", "other")
    if not mine.height:
        return None
    means = mine.unique("label", maintain_order=True)
    V = mine["covariance"].to_numpy().reshape(means.height, means.height)
    return Prior(tuple(means["label"]), means["mean"].to_numpy(), V)
