"""Would intervals of such a fit hold their truth? Data drawn from the fitted model, fitted again."""

import numpy as np
from numpy.typing import NDArray

from transforms.model.checks.score import factor_sums, row_weights
from transforms.model.contrasts import contrast
from transforms.model.cross_products import CrossProducts
from transforms.model.decompose import dense_passes
from transforms.model.fit import ResponseFit
from transforms.model.reml import fit_products

Array = NDArray[np.float64]
DRAWS = 20
SEED = 20_251_107


def _drawn_products(fit: ResponseFit, draws: int) -> tuple[Array, Array, Array]:
    """Return true coefficients, M'Wz* and z*'Wz* of `draws` sets drawn from the model, one pass over the rows."""
    rng = np.random.default_rng(SEED)
    reml, m = fit.reml, fit.reml.equations.m
    truth = np.repeat(reml.coef[:, None], draws, axis=1)
    for name, span in reml.spans.items():
        truth[span] = rng.normal(0, np.sqrt(reml.variances[name]), (span.stop - span.start, draws))
    w = row_weights(fit)
    pushed, squares = np.zeros((m.r.size, draws)), np.zeros(draws)
    for rows, D, cols in dense_passes(fit):
        z = D @ truth[: m.d] + rng.normal(size=(D.shape[0], draws)) * np.sqrt(reml.residual / w[rows])[:, None]
        for f in cols.factors:
            if f.name in m.factors and f.labels is not None:
                at = np.searchsorted(m.labels[f.name], f.labels)[f.codes] + m.factors[f.name].start
                z += truth[at] if f.slope is None else truth[at] * f.slope[:, None]
        weighed = z * w[rows][:, None]
        pushed[: m.d] += D.T @ weighed
        pushed[m.d :] += factor_sums(fit, cols, weighed)
        squares += (z * weighed).sum(axis=0)
    return truth, pushed, squares


def bootstrap_coverage(fit: ResponseFit, draws: int = DRAWS) -> tuple[float, int]:
    """Return the share of 95 % intervals of the settings' effects that hold the coefficient they were drawn with, and n."""
    truth, pushed, squares = _drawn_products(fit, draws)
    m, held, n = fit.reml.equations.m, 0, 0
    for b in range(draws):
        products = CrossProducts(
            m.DD, m.FD, m.FF, pushed[:, b], float(squares[b]), m.n, m.p, m.sum_log_w, m.blocks, m.factors, m.labels
        )
        again = fit_products(products, (fit.reml.variances, fit.reml.residual))
        for setting in fit.settings:
            weights = np.zeros(fit.width)
            weights[fit.at[setting]] = 1.0
            low, high = contrast(again, weights).interval()
            held += low <= truth[fit.at[setting], b] <= high
            n += 1
    return held / n, n
