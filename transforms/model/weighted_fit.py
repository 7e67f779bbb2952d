"""Fits of one set of columns, with row weights found by iteration."""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.arrays import Array
from transforms.mixed_model.cross_products import CrossProducts
from transforms.mixed_model.mixture_prior import NormalPrior, with_prior
from transforms.mixed_model.reml import RemlFit, WarmStart, fit_near, fit_products
from transforms.mixed_model.secant import SecantIteration
from transforms.model.design_matrix import DesignSpec
from transforms.model.row_batches import RowBatches
from transforms.model.weekly_products import Week, class_variance, select_columns, weight_classes

ROUGHLY = 0.01
"""Tolerance of fits that only find the weights or check another fit."""
SETTLES = 1e-6
"""Tolerance of the final fit: its last step moved the variances by less than a thousandth of their standard errors."""
MAX_WEIGHT_ITERATIONS = 8
MIN_WEIGHT_SHARE = 0.02
"""Lower bound of s2 as a fraction of the mean measurement variance."""


@dataclass(frozen=True)
class WeightedFit:
    """A fitted mixed model, the labels of its columns of D, and the s2 of its row weights."""

    reml: RemlFit
    kept: list[str]
    s2: float


@dataclass(frozen=True)
class WeightedModel:
    """Columns and factors of a fit, which can be fitted to any values of z.

    Attributes:
        rows: the facts used.
        frame: design specification of their columns.
        classes: class of each row's measurement variance, shape (n,).
        keep: columns of D in the model, ascending.
        labels: labels of all columns of D.
        factors: random intercepts and slopes in the model.
        batches: the rows in weekly batches with their columns.
        prior: prior from last season's effects, if they are used.
    """

    rows: pl.DataFrame
    frame: DesignSpec
    classes: NDArray[np.int64]
    keep: NDArray[np.int64]
    labels: list[str]
    factors: list[str]
    batches: RowBatches
    prior: NormalPrior | None = None

    @property
    def floor(self) -> float:
        """Lower bound of s2: if measurement explains all residuals, weights depend on measurement variance alone."""
        return MIN_WEIGHT_SHARE * float(np.mean(class_variance(1) ** self.classes.astype(np.float64)))

    def fit(self, by_class: Week, rest: float, start: WarmStart | None) -> WeightedFit:
        """Fit with weights w = s2 / (s2 + v), where s2 is the residual variance without the measurement variance v.

        Args:
            by_class: cross-products by class of measurement variance.
            rest: initial s2.
            start: initial variances; None for a cold start.

        Raises:
            RemlError: the model cannot be fitted.
        """
        rest, iteration = max(rest, self.floor), SecantIteration(self.floor)
        tolerance = ROUGHLY if start is None else SETTLES
        for _ in range(MAX_WEIGHT_ITERATIONS):
            found = self.fit_with_weights(by_class, rest, start, tolerance)
            start = (found.reml.variances, found.reml.residual)
            iteration.iterations.append((rest, found.reml.residual))
            if iteration.settled:
                break
            rest, tolerance = iteration.next(), ROUGHLY
        return found if tolerance == SETTLES else self.fit_with_weights(by_class, rest, start, SETTLES)

    def fit_with_weights(self, by_class: Week, s2: float, start: WarmStart | None, tolerance: float) -> WeightedFit:
        """Fit with rows weighted by s2 / (s2 + v).

        Args:
            by_class: cross-products by class of measurement variance.
            s2: residual variance in the weights.
            start: initial variances; None for a cold start.
            tolerance: tolerance of the variance search.

        Raises:
            RemlError: the model cannot be fitted.
        """
        products, kept = self._products(by_class, s2)
        return WeightedFit(fit_products(products, start, tolerance=tolerance), kept, s2)

    def fit_near(self, by_class: Week, s2: float, variances: WarmStart, max_gain: float) -> WeightedFit:
        """Fit by a step or a few from variances of a fit to nearly the same rows, weighted by s2 / (s2 + v).

        Args:
            by_class: cross-products by class of measurement variance.
            s2: residual variance in the weights.
            variances: (variance of each block and factor, residual variance).
            max_gain: largest gain in log-likelihood that the first step may promise; 0 to solve at the given variances.

        Raises:
            RemlError: the equations cannot be solved, or the variances belong to other terms or other data.
        """
        products, kept = self._products(by_class, s2)
        return WeightedFit(fit_near(products, variances, max_gain), kept, s2)

    def _products(self, by_class: Week, s2: float) -> tuple[CrossProducts, list[str]]:
        """Return the weighted cross-products of the model's columns, and the labels of these."""
        products, kept = select_columns(weight_classes(by_class, s2), self.keep, self.labels, self.factors)
        if self.prior is not None:
            products = with_prior(products, {n: i for i, n in enumerate(kept)}, self.prior, s2)
        return products, kept

    def fitted(self, reml: RemlFit) -> Array:
        """Return the sum of the fixed and random parts of z, shape (n,)."""
        out, season_indicators, m = np.zeros(self.rows.height), self.batches.factor_indicators, reml.equations.m
        dense, levels = np.zeros(len(self.labels)), np.zeros(max(s.stop for s in season_indicators.spans.values()))
        dense[self.keep], levels[season_indicators.column_positions(m)] = reml.coef[: m.d], reml.coef[m.d :]
        for (rows, cols), indicators in zip(self.batches, season_indicators.weeks, strict=True):
            out[rows] = cols.D @ dense + indicators @ levels
        return out
