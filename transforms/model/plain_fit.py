"""Plain fit of a response: of its values, of the intervals they are rounded to, or of its counts."""

from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.arrays import Array
from transforms.config.response_catalogue import RESPONSES
from transforms.config.settings_catalogue import Catalogue
from transforms.contracts.reason import Reason
from transforms.mixed_model.interval_censoring import Intervals, fit_intervals
from transforms.mixed_model.quasi_likelihood import Counts, WorkingResponse, fit_quasi_likelihood
from transforms.mixed_model.reml import RemlError, WarmStart
from transforms.model.column_selection import columns_in, select_factors
from transforms.model.facts import MeasuredRows, measured_rows
from transforms.model.lab_rounding import LabRounding, lab_rounding
from transforms.model.row_batches import RowBatches
from transforms.model.season_products import ProductStore, season_products
from transforms.model.setting_terms import SettingEffect
from transforms.model.weekly_products import Week, batch_products, class_variance, variance_class, weight_classes
from transforms.model.weighted_fit import WeightedFit, WeightedModel


@dataclass(frozen=True)
class PlainFit:
    """Fit of a response without last season's effects and without treatment of heavy tails.

    Attributes:
        model: columns and factors.
        by_class: cross-products by class of measurement variance.
        found: the fit.
        z: fitted scale of the response, shape (n,).
        known: measurement variance, shape (n,).
        within_sd: standard deviation of each setting within visits, shape (j,).
        left_out: random intercept -> reason why it is not in the model.
    """

    model: WeightedModel
    by_class: Week
    found: WeightedFit
    z: Array
    known: Array
    within_sd: Array
    left_out: dict[str, Reason]


@dataclass(frozen=True)
class SelectedColumns:
    """Columns and intercepts of a response's model that the data can estimate.

    Attributes:
        measured: the rows.
        batches: the rows in weekly batches with their columns, built once for all fits to them.
        by_class: cross-products by class of measurement variance.
        keep: columns of D, ascending.
        within_sd: standard deviation of each setting within visits, shape (j,).
        factors: random intercepts and slopes.
        left_out: random intercept -> reason why it is not in the model.
    """

    measured: MeasuredRows
    batches: RowBatches
    by_class: Week
    keep: NDArray[np.int64]
    within_sd: Array
    factors: list[str]
    left_out: dict[str, Reason]

    def model(self, classes: NDArray[np.int64]) -> WeightedModel:
        """Return the model of these columns.

        Args:
            classes: class of each row's measurement variance, shape (n,).
        """
        rows, frame = self.measured.rows, self.measured.frame
        return WeightedModel(rows, frame, classes, self.keep, frame.dense_labels(), self.factors, self.batches)


def fit_plain(
    facts: pl.DataFrame,
    response: str,
    catalogue: Catalogue,
    lab_cv_at_25_kg: float,
    store: ProductStore | None,
    start: WarmStart | None,
    sensors: tuple[float, ...] = (),
) -> PlainFit | None:
    """Return the plain fit of a response; None if there are too few rows or no setting varies within visits.

    Args:
        facts: one row per load, audit or check, with ids, conditions, settings and the response.
        response: name of the response.
        catalogue: the settings catalogue.
        lab_cv_at_25_kg: coefficient of variation of the laboratory's dirt tare for a sample of 25 kg, as a fraction.
        store: cache of weekly cross-products; None to sum all weeks.
        start: initial variances; None for a cold start.
        sensors: reliability of each setting's sensor; empty if all are reliable.

    Returns:
        The fit; None also if the equations cannot be solved.
    """
    measured = measured_rows(facts, response, catalogue, lab_cv_at_25_kg)
    if measured is None:
        return None
    measured = measured._replace(frame=replace(measured.frame, sensors=sensors))
    # The working values of counts change with every iteration, so there is nothing to keep.
    kept = store if measured.counts is None else None
    by_class = season_products(measured.rows, measured.frame, measured.z, measured.classes, kept)
    columns = selected_columns(measured, by_class, _first_s2(measured.classes, start))
    if columns is None:
        return None
    try:
        if measured.counts is not None:
            return _fit_counts(columns, measured.counts, start)
        found = _fit_values(columns, measured.z, measured.classes, columns.by_class, start)
        rounding = rounding_of(measured.rows, response)
        if rounding is None:
            return found
        return _fit_rounded(columns, found, rounding.intervals(values_of(measured.rows, response)))
    except RemlError:
        return None


def selected_columns(measured: MeasuredRows, by_class: Week, s2: float) -> SelectedColumns | None:
    """Return the columns that can be estimated; None if no setting varies within visits.

    Args:
        measured: the rows.
        by_class: their cross-products by class of measurement variance.
        s2: residual variance in the weights.
    """
    rows, frame = measured.rows, measured.frame
    keep, within_sd = columns_in(weight_classes(by_class, s2), frame)
    labels = frame.dense_labels()
    kept = {labels[i] for i in keep}
    moved = {s.name for s in frame.settings if SettingEffect(s.name).label in kept}
    if not moved:
        return None
    factors, left_out = select_factors(rows, frame)
    slopes = [slope.name for slope in frame.slopes if slope.setting in moved and "machine" in factors]
    return SelectedColumns(measured, RowBatches(rows, frame), by_class, keep, within_sd, [*factors, *slopes], left_out)


def _first_s2(classes: NDArray[np.int64], start: WarmStart | None) -> float:
    """Return the initial s2: that of the warm start, else half of the mean measurement variance."""
    return 0.5 * float(np.mean(known_variance(classes))) + 1e-6 if start is None else start[1]


def known_variance(classes: NDArray[np.int64]) -> Array:
    """Return the measurement variance of each row, rounded to its class."""
    return np.asarray(class_variance(1) ** classes.astype(np.float64))


def _fit_values(
    columns: SelectedColumns, z: Array, classes: NDArray[np.int64], by_class: Week, start: WarmStart | None
) -> PlainFit:
    """Fit values of z with the measurement variances of their classes.

    Raises:
        RemlError: the model cannot be fitted.
    """
    model = columns.model(classes)
    found = model.fit(by_class, _first_s2(classes, start), start)
    return PlainFit(model, by_class, found, z, known_variance(classes), columns.within_sd, columns.left_out)


def rounding_of(rows: pl.DataFrame, response: str) -> LabRounding | None:
    """Return the rounding of a response's values; None for one that is not a share, or too fine to matter.

    Args:
        rows: facts with the response.
        response: name of the response.
    """
    if RESPONSES[response].scale != "log_ratio":
        return None
    return lab_rounding(values_of(rows, response))


def values_of(rows: pl.DataFrame, response: str) -> Array:
    """Return the measured values of a response.

    Args:
        rows: facts with the response, n of them.
        response: name of the response.

    Returns:
        Values in the unit of the response, NaN if unknown, shape (n,).
    """
    return rows[response].cast(pl.Float64).to_numpy()


def _fit_rounded(columns: SelectedColumns, middles: PlainFit, intervals: Intervals) -> PlainFit:
    """Fit rounded or limited values as the intervals that they were rounded from.

    Args:
        columns: columns and intercepts of the model.
        middles: fit of the values as they are.
        intervals: the intervals of z.

    Raises:
        RemlError: the model cannot be fitted.
    """

    def result(found: PlainFit) -> tuple[PlainFit, Array, float]:
        return found, found.model.fitted(found.found.reml), found.found.reml.residual

    def fit(response: WorkingResponse, before: PlainFit) -> tuple[PlainFit, Array, float]:
        classes = variance_class(response.variance)
        by_class = batch_products(columns.batches, response.z, classes)
        start = (before.found.reml.variances, before.found.reml.residual)
        return result(_fit_values(columns, response.z, classes, by_class, start))

    return fit_intervals(intervals, middles.known, result(middles), fit)


def _fit_counts(columns: SelectedColumns, counts: Counts, start: WarmStart | None) -> PlainFit:
    """Fit counts by penalised quasi-likelihood; s2 is their overdispersion.

    Raises:
        RemlError: the model cannot be fitted.
    """

    def fit(response: WorkingResponse, before: PlainFit | None) -> tuple[PlainFit, Array]:
        classes = variance_class(response.variance)
        by_class = batch_products(columns.batches, response.z, classes)
        last = (before.found.reml.variances, before.found.reml.residual) if before is not None else start
        found = _fit_values(columns, response.z, classes, by_class, last)
        return found, found.model.fitted(found.found.reml)

    return fit_quasi_likelihood(counts, fit)[0]
