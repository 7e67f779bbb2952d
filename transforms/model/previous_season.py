"""Prior from last season's effects of settings, inflated, and discarded if this season contradicts it.

Last season's fixed coefficients of the settings, mean m and covariance V, enter as k more rows

    R b = R m + e,   Var(e) = s2_e,   R'R = s2_e (WIDER^2 V)^-1                                                 (10)

so that the prior has a quarter of last season's precision, because seasons differ (common practice, no source). This
season is fitted alone first. If d = b - m is too large by d'(Cov(b) + WIDER^2 V)^-1 d / k against F(k, df), the prior
is discarded and the check "last_season" fails.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy.stats import f as fisher

from transforms.arrays import Array
from transforms.contracts.result_tables import schema_of
from transforms.mixed_model.contrasts import covariance
from transforms.mixed_model.cross_products import CrossProducts
from transforms.mixed_model.reml import RemlFit

WIDER = 2.0
"""Factor by which last season's standard errors are inflated."""
DENIED_P = 0.01
"""Last season is contradicted if a difference as large has a smaller p value."""
POSTERIOR_SCHEMA = schema_of("fit_posterior")


@dataclass(frozen=True)
class Prior:
    """Prior of coefficients: their labels, mean of shape (k,) and covariance of shape (k, k)."""

    labels: tuple[str, ...]
    mean: Array
    covariance: Array


@dataclass(frozen=True)
class Agreement:
    """Agreement of this season with the last: p value of the difference, and number of coefficients compared."""

    p_value: float
    coefficients: int

    @property
    def denied(self) -> bool:
        """True if this season contradicts the last."""
        return self.p_value < DENIED_P


def restrict_prior(prior: Prior, at: dict[str, int]) -> Prior | None:
    """Return the prior of the coefficients in the model; None if there are none.

    Args:
        prior: prior of k coefficients.
        at: label of each column of D in the model -> its index.
    """
    shared = [i for i, label in enumerate(prior.labels) if label in at]
    if not shared:
        return None
    return Prior(tuple(prior.labels[i] for i in shared), prior.mean[shared], prior.covariance[np.ix_(shared, shared)])


def agreement(fit: RemlFit, at: dict[str, int], prior: Prior) -> Agreement:
    """Test the prior against a fit made without it.

    Args:
        fit: the fit without the prior.
        at: label of each column of D in the fit -> its index.
        prior: prior of coefficients in the fit.
    """
    L = np.zeros((len(prior.labels), fit.cov_core.shape[0]))
    L[np.arange(len(prior.labels)), [at[label] for label in prior.labels]] = 1.0
    gap = L @ fit.coef[: L.shape[1]] - prior.mean
    V = covariance(fit, L) + WIDER**2 * prior.covariance
    k = gap.size
    statistic = float(gap @ np.linalg.solve(V, gap)) / k
    left = max(fit.equations.m.n - fit.p - sum(fit.edf.values()), 1.0)
    return Agreement(float(fisher.sf(statistic, k, left)), k)


def with_prior(m: CrossProducts, at: dict[str, int], prior: Prior, s2: float) -> CrossProducts:
    """Return cross-products with the rows of (10) added.

    Args:
        m: cross-products of the model.
        at: label of each column of D -> its index.
        prior: prior of coefficients in the model.
        s2: residual variance in the row weights.
    """
    places = np.array([at[label] for label in prior.labels])
    precision = s2 * np.linalg.inv(WIDER**2 * prior.covariance)
    DD, r = m.DD.copy(), m.r.copy()
    DD[np.ix_(places, places)] += precision
    r[places] += precision @ prior.mean
    yy = m.yy + float(prior.mean @ precision @ prior.mean)
    return CrossProducts(DD, m.FD, m.FF, r, yy, m.n + places.size, m.p, m.sum_log_w, m.blocks, m.factors, m.labels)


def posterior_rows(response: str, labels: list[str], fit: RemlFit, at: dict[str, int]) -> pl.DataFrame:
    """Return `response, label, other, mean, covariance`: the prior of the next season, one row per pair of labels.

    Args:
        response: column of the response.
        labels: labels of the coefficients to store.
        fit: the fitted mixed model.
        at: label of each column of D in the fit -> its index.

    Raises:
        KeyError: a label is not in the fit.
    """
    places = [at[label] for label in labels]
    mean, V = fit.coef[places], fit.cov_core[np.ix_(places, places)]
    pairs = [(response, a, b, mean[i], V[i, j]) for i, a in enumerate(labels) for j, b in enumerate(labels)]
    return pl.DataFrame(pairs, schema=POSTERIOR_SCHEMA, orient="row")


def prior_of(rows: pl.DataFrame, response: str) -> Prior | None:
    """Return a response's prior from the `posterior_rows` of an earlier season; None if there are none.

    Args:
        rows: `response, label, other, mean, covariance`, of any responses and in any order.
        response: column of the response.
    """
    own_rows = rows.filter(pl.col("response") == response).sort("label", "other")
    if not own_rows.height:
        return None
    means = own_rows.unique("label", maintain_order=True)
    V = own_rows["covariance"].to_numpy().reshape(means.height, means.height)
    return Prior(tuple(means["label"]), means["mean"].to_numpy(), V)
