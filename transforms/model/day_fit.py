"""Fit by day: a step or a few from the variances of the last nightly fit.

A shift adds a few hundredths of a season, which hardly move variances, pseudo-values and weights. By day the weights
and the pseudo-values of older rows are kept, and a step of the variances replaces their search; rows that are new
since then, or measured again, get pseudo-values in a few solutions. The nightly refit estimates everything again.
METHODS.md, section 5.
"""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.arrays import Array
from transforms.config.settings_catalogue import Catalogue
from transforms.mixed_model.huber import Tails, pseudo_values, tails_of
from transforms.mixed_model.interval_censoring import interval_response
from transforms.mixed_model.quasi_likelihood import WorkingResponse, working_response
from transforms.mixed_model.reml import RemlError
from transforms.model.estimate import RobustFit, agreement_of, response_fit
from transforms.model.facts import MeasuredRows, measured_rows
from transforms.model.fit_result import ResponseFit
from transforms.model.night_fit import NightFit, kept_rows, merge
from transforms.model.plain_fit import (
    PlainFit,
    known_variance,
    rounding_of,
    selected_columns,
    values_of,
)
from transforms.model.previous_season import Prior
from transforms.model.row_batches import RowBatches, weeks_of
from transforms.model.season_products import ProductStore, season_products
from transforms.model.weekly_products import Week, WeekJob, join_weeks, sum_week, variance_class, with_values
from transforms.model.weighted_fit import WeightedModel

MAX_PASSES = 4
MAX_GAIN = 10.0
"""Gain in log-likelihood from which the variances are taken to be of other data (common practice, no source)."""
SETTLED = 0.01
"""New pseudo-values have settled if the root mean square change is below this fraction of the errors' deviation."""


@dataclass(frozen=True)
class _Values:
    """Values that least squares is fitted to.

    Attributes:
        z: values, or the working values of counts and intervals, shape (n,).
        classes: class of each row's measurement variance, shape (n,).
        pseudo: z, or its pseudo-values if tails are heavy, shape (n,).
    """

    z: Array
    classes: NDArray[np.int64]
    pseudo: Array


@dataclass(frozen=True)
class _DayRows:
    """Rows of a fit by day, some of which have kept values.

    Attributes:
        measured: the rows.
        night: the kept fit.
        kept: `z, pseudo, class` of each row, null for a new one.
    """

    measured: MeasuredRows
    night: NightFit
    kept: pl.DataFrame

    @property
    def is_new(self) -> NDArray[np.bool_]:
        """True for rows without kept values, shape (n,)."""
        return self.kept["z"].is_null().to_numpy()

    @property
    def is_reweighted(self) -> bool:
        """True if values depend on the fit: those of counts, of rounded values and of heavy tails."""
        return self.measured.counts is not None or self.night.is_rounded or self.night.tails.is_huberised

    def first(self) -> _Values:
        """Return the kept values, and for new rows the measured ones or a first guess."""
        z, classes = self.measured.z, self.measured.classes
        return self._with_kept(z, classes, z)

    def after(self, fitted: Array) -> _Values:
        """Return the kept values, and for new rows those at the fitted values."""
        response, residual = self._working(fitted), self.night.variances[1]
        z, classes = self.measured.z, self.measured.classes
        if response is not None:
            z, classes = response.z, variance_class(response.variance)
        if not self.night.tails.is_huberised:
            return self._with_kept(z, classes, z)
        both = self._with_kept(z, classes, z)
        pseudo = pseudo_values(both.z, fitted, residual + known_variance(both.classes))
        return replace(both, pseudo=merge(self.kept["pseudo"], pseudo))

    def _with_kept(self, z: Array, classes: NDArray[np.int64], pseudo: Array) -> _Values:
        return _Values(
            merge(self.kept["z"], z),
            merge(self.kept["class"], classes).astype(np.int64),
            merge(self.kept["pseudo"], pseudo),
        )

    def _working(self, fitted: Array) -> WorkingResponse | None:
        """Return the working values of counts and intervals at the fitted values; None for plain values."""
        measured, residual = self.measured, self.night.variances[1]
        if measured.counts is not None:
            return working_response(measured.counts, fitted)
        rounding = rounding_of(measured.rows, self.night.response) if self.night.is_rounded else None
        if rounding is None:
            return None
        intervals = rounding.intervals(values_of(measured.rows, self.night.response))
        sd = np.sqrt(residual + known_variance(measured.classes))
        return interval_response(intervals, fitted, sd, residual)


class _Products:
    """Cross-products of a fit by day, for several values of its new rows.

    Args:
        day: the rows.
        store: cache of weekly cross-products; None to sum all weeks.
    """

    def __init__(self, day: _DayRows, store: ProductStore | None) -> None:
        self._day, self._store = day, store
        self._weeks = weeks_of(day.measured.rows)
        self._summed: list[Week | None] = [None] * len(self._weeks)

    @cached_property
    def _measured(self) -> Week:
        """Cross-products of the measured values."""
        measured = self._day.measured
        return season_products(measured.rows, measured.frame, measured.z, measured.classes, self._store)

    def of(self, values: _Values, batches: RowBatches | None) -> Week:
        """Return the cross-products of pseudo-values by class of measurement variance.

        Args:
            values: the values.
            batches: the rows with their columns; None for cross-products that only select columns: then M'z may be that
                of the measured values.
        """
        measured = self._day.measured
        if measured.counts is None and not self._day.night.is_rounded:
            if batches is None or not self._day.night.tails.is_huberised:
                return self._measured
            return with_values(self._measured, batches, values.pseudo, measured.classes)
        # Working values have many classes of variance: to read a cached week would take as long as to sum it.
        for i, at in enumerate(self._weeks):
            if self._summed[i] is None or self._day.is_new[at].any():
                job = WeekJob(measured.rows[at], measured.frame, values.pseudo[at], values.classes[at])
                self._summed[i] = sum_week(job)
        return join_weeks([week for week in self._summed if week is not None])


def fit_by_day(
    facts: pl.DataFrame,
    catalogue: Catalogue,
    lab_cv_at_25_kg: float,
    night: NightFit,
    store: ProductStore | None = None,
    prior: Prior | None = None,
) -> ResponseFit | None:
    """Fit a response near the variances of the last nightly fit.

    Args:
        facts: one row per load or audit, with ids, conditions, settings and the response.
        catalogue: the settings catalogue.
        lab_cv_at_25_kg: coefficient of variation of the laboratory's dirt tare for a sample of 25 kg, as a fraction.
        night: the nightly fit.
        store: cache of weekly cross-products; None to sum all weeks.
        prior: last season's effects.

    Returns:
        The fit; None if the variances are too old, of other terms or too far from the optimum: then they have to be
        estimated.
    """
    measured = measured_rows(facts, night.response, catalogue, lab_cv_at_25_kg)
    if measured is None or not night.serves(measured):
        return None
    sensors = tuple(night.sensors.values()) if min(night.sensors.values(), default=1.0) < 1.0 else ()
    measured = measured._replace(frame=replace(measured.frame, sensors=sensors))
    try:
        return _solve(_DayRows(measured, night, kept_rows(night, measured.rows)), store, prior)
    except RemlError:
        return None


def _solve(day: _DayRows, store: ProductStore | None, prior: Prior | None) -> ResponseFit | None:
    """Return the fit by day; None if no setting varies within visits.

    Raises:
        RemlError: the equations cannot be solved, or the variances are of other terms.
    """
    night, values, products = day.night, day.first(), _Products(day, store)
    columns = selected_columns(day.measured, products.of(values, None), night.s2)
    if columns is None:
        return None
    model = columns.model(day.measured.classes)
    by_class, agrees = products.of(values, model.batches), None
    if prior is not None:
        agrees = agreement_of(model, model.fit_near(by_class, night.s2, night.variances, 0.0), prior)
        if agrees is not None and agrees.prior.precision.any():
            model = replace(model, prior=agrees.prior)
    if day.is_reweighted and day.is_new.any():
        values, by_class = _settle(day, model, products, by_class)
    found = model.fit_near(by_class, night.s2, night.variances, MAX_GAIN)
    fitted, known = model.fitted(found.reml), known_variance(values.classes)
    tails = _judge_tails(day, model, values, by_class, fitted)
    plain = PlainFit(model, by_class, found, values.z, known, columns.within_sd, columns.left_out)
    out = response_fit(plain, model, night.response, RobustFit(found, fitted, values.pseudo, tails), agrees)
    return replace(out, kept_variances=night.kept)


def _judge_tails(day: _DayRows, model: WeightedModel, values: _Values, by_class: Week, fitted: Array) -> Tails:
    """Return the tails of a fit to the values themselves, as in an estimated fit.

    Raises:
        RemlError: tails are heavy, but were not at night, or the other way round: weights have to be found again.
    """
    night, residual = day.night, day.night.variances[1]
    if night.tails.is_huberised:
        plainly = with_values(by_class, model.batches, values.z, values.classes)
        fitted = model.fitted(model.fit_near(plainly, night.s2, night.variances, 0.0).reml)
    tails = tails_of(values.z, fitted, residual + known_variance(values.classes))
    if day.measured.counts is None and tails.is_heavy != night.tails.is_huberised:
        raise RemlError("tails became heavy, or are so no longer")
    return replace(night.tails, far_share=tails.far_share)


def _settle(day: _DayRows, model: WeightedModel, products: _Products, by_class: Week) -> tuple[_Values, Week]:
    """Return the values, with those of new rows at the values fitted to them, and their cross-products.

    Raises:
        RemlError: the equations cannot be solved.
    """
    night = day.night
    fitted = model.fitted(model.fit_near(by_class, night.s2, night.variances, 0.0).reml)
    for _ in range(MAX_PASSES):
        values, before = day.after(fitted), fitted
        by_class = products.of(values, model.batches)
        fitted = model.fitted(model.fit_near(by_class, night.s2, night.variances, 0.0).reml)
        moved = (fitted - before) / np.sqrt(night.variances[1] + known_variance(values.classes))
        if float(np.sqrt(np.mean(moved[day.is_new] ** 2))) < SETTLED:
            break
    return values, by_class
