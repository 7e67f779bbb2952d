"""Coverage of intervals by parametric bootstrap: data drawn from the fitted model are fitted again."""

import numpy as np

from transforms.arrays import Array
from transforms.mixed_model.contrasts import contrast
from transforms.mixed_model.cross_products import CrossProducts
from transforms.mixed_model.reml import fit_products
from transforms.model.effects import slope_weights
from transforms.model.fit_result import ResponseFit
from transforms.model.fit_rows import dense_passes, row_weights
from transforms.model.row_batches import factor_sums, factor_values
from transforms.model.weighted_fit import ROUGHLY

DRAWS = 6
SEED = 20_251_107


def _drawn_products(fit: ResponseFit, draws: int) -> tuple[Array, Array, Array]:
    """Return true coefficients, M'Wz* and z*'Wz* of `draws` data sets drawn from the model."""
    rng = np.random.default_rng(SEED)
    reml, m = fit.reml, fit.reml.equations.m
    truth = np.repeat(reml.coef[:, None], draws, axis=1)
    for name, span in reml.spans.items():
        truth[span] = rng.normal(0, np.sqrt(reml.variances[name]), (span.stop - span.start, draws))
    w = row_weights(fit)
    pushed, squares = np.zeros((m.r.size, draws)), np.zeros(draws)
    for rows, D, cols in dense_passes(fit):
        z = D @ truth[: m.d] + rng.normal(size=(D.shape[0], draws)) * np.sqrt(reml.residual / w[rows])[:, None]
        z += factor_values(m, cols, truth)
        weighted = z * w[rows][:, None]
        pushed[: m.d] += D.T @ weighted
        pushed[m.d :] += factor_sums(m, cols, weighted)
        squares += (z * weighted).sum(axis=0)
    return truth, pushed, squares


def bootstrap_coverage(fit: ResponseFit, draws: int = DRAWS) -> tuple[float, int]:
    """Return (share of 95 % intervals of effects over all rows that cover the true value, number of intervals).

    Each data set has new levels of all factors and blocks and new residuals; the fixed coefficients are those of the
    fit. The effects are those of `slope_weights` over all rows with a value.

    Args:
        fit: the fit to draw from.
        draws: number of data sets; each gives one interval per setting in the model.

    Returns:
        (share, 0 to 1; number of intervals).

    Raises:
        RemlError: the model cannot be fitted to a data set.
    """
    truth, pushed, squares = _drawn_products(fit, draws)
    m, covered, n = fit.reml.equations.m, 0, 0
    every = np.ones(fit.z.size, dtype=bool)
    contrasts = [
        slope_weights(fit, setting, every & fit.observed[:, fit.setting_column(setting)]) for setting in fit.settings
    ]
    for b in range(draws):
        products = CrossProducts(
            m.DD, m.FD, m.FF, pushed[:, b], float(squares[b]), m.n, m.p, m.sum_log_w, m.blocks, m.factors, m.labels
        )
        again = fit_products(products, (fit.reml.variances, fit.reml.residual), tolerance=ROUGHLY)
        for weights in contrasts:
            low, high = contrast(again, weights).interval()
            covered += int(low <= weights @ truth[:, b] <= high)
            n += 1
    return covered / n, n
