"""Coverage of intervals by parametric bootstrap: data drawn from the fitted model are fitted again.

Data sets are drawn until the intervals decide between a coverage of .95 and one of .90 (sequential probability ratio
test, Wald 1945). A fixed small number of intervals decides by luck: with 90 of them, an honest fit falls below .90 in
1.5 % of cases, and with 12 in 12 %.
"""

from dataclasses import dataclass

import numpy as np

from transforms.arrays import Array
from transforms.mixed_model.contrasts import contrast
from transforms.mixed_model.cross_products import CrossProducts
from transforms.mixed_model.reml import fit_products
from transforms.model.effects import slope_weights
from transforms.model.fit_result import ResponseFit
from transforms.model.fit_rows import dense_passes, prior_rows, row_weights
from transforms.model.row_batches import factor_sums, factor_values
from transforms.model.weighted_fit import ROUGHLY

DRAWS = 6
"""Data sets drawn at a time."""
MAX_DRAWS = 36
SEED = 20_251_107
HONEST, POOR = 0.95, 0.90
"""Coverages between which the test decides."""
FALSE_ALARM, MISSED = 0.01, 0.05
"""Chances that honest intervals fail the test, and that poor ones pass it."""
MISS, HIT = float(np.log((1 - POOR) / (1 - HONEST))), float(np.log(HONEST / POOR))
"""Evidence for poor intervals from one that misses the truth, and for honest ones from one that covers it."""
ALARM, CLEAR = float(np.log((1 - MISSED) / FALSE_ALARM)), float(np.log(MISSED / (1 - FALSE_ALARM)))
"""Evidence at which the test ends: log likelihood ratio of poor over honest intervals."""


@dataclass(frozen=True)
class BootstrapCoverage:
    """Intervals of data drawn from a fit.

    Attributes:
        covered: number of 95 % intervals that cover the true value.
        n: number of intervals.
    """

    covered: int
    n: int

    @property
    def share(self) -> float:
        """Share of intervals that cover the true value."""
        return self.covered / self.n

    @property
    def evidence(self) -> float:
        """Log likelihood ratio of poor over honest intervals."""
        return (self.n - self.covered) * MISS - self.covered * HIT

    @property
    def is_undecided(self) -> bool:
        """True if more intervals are needed to decide."""
        return CLEAR < self.evidence < ALARM

    @property
    def bound(self) -> float:
        """Share covered at which this number of intervals is an alarm, 0 to 1."""
        return 1 - (ALARM / self.n + HIT) / (MISS + HIT)


def _drawn_products(fit: ResponseFit, draws: int, rng: np.random.Generator) -> tuple[Array, Array, Array]:
    """Return true coefficients, M'Wz* and z*'Wz* of `draws` data sets drawn from the model and from its prior."""
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
    P = prior_rows(fit)
    values = P @ truth[: m.d] + rng.normal(0, np.sqrt(reml.residual), (P.shape[0], draws))
    pushed[: m.d] += P.T @ values
    return truth, pushed, squares + (values**2).sum(axis=0)


def bootstrap_coverage(fit: ResponseFit) -> BootstrapCoverage:
    """Return how many 95 % intervals of effects over all rows cover the true value, once that decides the test.

    Each data set has new levels of all factors and blocks and new residuals; the fixed coefficients are those of the
    fit, about which last season's prior is drawn as well. The effects are those of `slope_weights` over all rows with a
    value. With few settings the test may end undecided at `MAX_DRAWS` data sets, which is not an alarm.

    Args:
        fit: the fit to draw from.

    Raises:
        RemlError: the model cannot be fitted to a data set.
    """
    rng, found, drawn = np.random.default_rng(SEED), BootstrapCoverage(0, 0), 0
    every = np.ones(fit.z.size, dtype=bool)
    contrasts = [slope_weights(fit, s, every & fit.observed[:, fit.setting_column(s)]) for s in fit.settings]
    while found.is_undecided and drawn < MAX_DRAWS:
        more = _covered(fit, contrasts, DRAWS, rng)
        found, drawn = BootstrapCoverage(found.covered + more.covered, found.n + more.n), drawn + DRAWS
    return found


def _covered(fit: ResponseFit, contrasts: list[Array], draws: int, rng: np.random.Generator) -> BootstrapCoverage:
    """Return how many intervals of contrasts cover the true value in `draws` data sets drawn from the fit."""
    truth, pushed, squares = _drawn_products(fit, draws, rng)
    m, n, covered = fit.reml.equations.m, fit.z.size + prior_rows(fit).shape[0], 0
    for b in range(draws):
        products = CrossProducts(
            m.DD, m.FD, m.FF, pushed[:, b], float(squares[b]), n, m.p, m.sum_log_w, m.blocks, m.factors, m.labels
        )
        again = fit_products(products, (fit.reml.variances, fit.reml.residual), tolerance=ROUGHLY)
        for weights in contrasts:
            low, high = contrast(again, weights).interval()
            covered += int(low <= weights @ truth[:, b] <= high)
    return BootstrapCoverage(covered, draws * len(contrasts))
