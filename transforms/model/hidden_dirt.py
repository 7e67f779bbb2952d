"""Hidden variation within visits: a part of the residuals that lasts from one row of a visit to the next.

Dirt that no log holds, such as a heavier strip of a field, makes residuals of successive loads alike. It does not bias
an effect by itself, but it does if operators react to it (`hidden_reaction.py`). Settings are held for some loads, so
what the fit does not say of their effects makes residuals alike as well: products of settings that interact, which are
taken off the residuals, and noise of sensors, which is added to the data drawn. METHODS.md section 5.
"""

from dataclasses import dataclass

import numpy as np

from transforms.arrays import Array
from transforms.model.added_columns import fit_columns
from transforms.model.checks.score import DEPENDENT
from transforms.model.drawn_residuals import drawn_residuals
from transforms.model.facts import time_order
from transforms.model.fit_result import ResponseFit
from transforms.model.fit_rows import row_weights
from transforms.model.lag_products import LAGS, STAYS, VisitOrder
from transforms.model.pair_tests import interacting_pairs, pair_column
from transforms.model.sensor_error import sensor_errors

DRAWS = 40
"""Data sets drawn from the fit for the null distribution."""
SEED = 20_261_130
TYPICAL_STAY = 0.7
"""Correlation from a row to the next that the test looks for; an invented process with .5 to .9 is found as well."""
MIN_PAIRS = 300
"""Minimum number of pairs of successive rows (common practice, no source)."""
RELATED_Z = 1.75
"""Standard score above which residuals of successive rows are related; exceeded in 4 % of seasons by chance."""


@dataclass(frozen=True)
class HiddenDirt:
    """Variation within visits that lasts from row to row.

    Attributes:
        z: standard score of the products of successive residuals against those of data drawn from the fit.
        stay: correlation of the variation from a row to the next.
        variance: its variance within visits after the fit, in squared units of z of the response.
        variance_se: standard error of that variance.
        share: its share of the variance of the residuals within visits.
    """

    z: float
    stay: float
    variance: float
    variance_se: float
    share: float

    @property
    def is_found(self) -> bool:
        """True if residuals of successive rows are related."""
        return self.z > RELATED_Z


def hidden_dirt(fit: ResponseFit) -> HiddenDirt | None:
    """Return the variation that lasts within visits; None without times or with too few pairs of rows."""
    return fit.cached("hidden dirt", lambda: _estimate(fit))


def _estimate(fit: ResponseFit) -> HiddenDirt | None:
    """Compare products of residuals by lag with those of data drawn from the fit (generalised least squares)."""
    if "lifted_at" not in fit.rows.columns:
        return None
    order = VisitOrder(fit.visits, time_order(fit.rows))
    if fit.z.size - order.sizes.size < MIN_PAIRS or not np.any(order.sizes > LAGS):
        return None
    residual, null = _comparable_residuals(fit, order)
    found, drawn = order.products(residual[:, None])[:, 0], order.products(null)
    # The variance within visits is that of the residuals, not of the model: rounded values and pairs make them differ.
    drawn = drawn * (found[0] / drawn[0].mean())
    usual = drawn.mean(axis=1)
    excess = (found - usual)[1:]
    weight = np.linalg.pinv(np.cov(drawn[1:]), hermitian=True)
    noise = order.expected(0.0)[0]

    def gain(stay: float) -> tuple[float, float]:
        """Return (weighted sum of the excess, its variance) for a process with this correlation."""
        shape = order.expected(stay)[1:]
        return float(shape @ weight @ excess), float(shape @ weight @ shape)

    pull, information = gain(TYPICAL_STAY)
    stay = max(STAYS, key=lambda s: max(gain(s)[0], 0.0) ** 2 / gain(s)[1])
    best, precision = gain(stay)
    inside = float(order.expected(stay)[0]) / noise
    variance = max(best / precision, 0.0) * inside
    return HiddenDirt(
        z=pull / float(np.sqrt(information)),
        stay=stay,
        variance=variance,
        variance_se=inside / float(np.sqrt(precision)),
        share=variance * noise / float(usual[0]),
    )


def _comparable_residuals(fit: ResponseFit, order: VisitOrder) -> tuple[Array, Array]:
    """Return the residuals, shape (n,), and those of data drawn from the fit, shape (n, draws), both given the pairs.

    The data drawn have the error that noise of sensors leaves (28a).
    """
    null = drawn_residuals(fit, DRAWS, SEED)
    errors = sensor_errors(fit, order, DRAWS, np.random.default_rng(SEED))
    if errors is not None:
        null = null + fit_columns(fit, errors)[1]
    products = [pair_column(fit, test.pair) for test in interacting_pairs(fit, MIN_PAIRS)]
    if not products:
        return fit.residual, null
    C, weights = np.column_stack(products), row_weights(fit)[:, None]
    left = fit_columns(fit, C)[1]
    residuals = np.column_stack([fit.residual, null])
    effects = np.linalg.lstsq(C.T @ (weights * left), C.T @ (weights * residuals), rcond=DEPENDENT)[0]
    residuals = residuals - left @ effects
    return residuals[:, 0], residuals[:, 1:]
