"""Predictions of the model for a value of a setting, and for conditions, at one place and machine."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from transforms.arrays import Array
from transforms.model.design_matrix import bend_of, middle, modifiers_of
from transforms.model.fit_result import ResponseFit
from transforms.model.load_decomposition import labelled_columns, whole_part


@dataclass(frozen=True)
class PredictionPoint:
    """Conditions at one place, its soil class and its machine."""

    conditions: Mapping[str, float]
    soil_class: str
    machine_id: str


def _arrays(fit: ResponseFit, at: Mapping[str, float]) -> dict[str, Array]:
    """Return the conditions of the model as arrays of one value."""
    return {n: np.array([at[n]]) for n in fit.frame.terms.conditions}


def step_weights(fit: ResponseFit, setting: str, place: PredictionPoint) -> Array:
    """Return weights over the coefficients, shape (M,), of the linear effect of one step of a setting at a place."""
    weights = np.zeros(fit.reml.coef.size)
    weights[fit.at[setting]] = 1.0
    labels = {f"{setting} by {by}": v[0] for by, v in modifiers_of(_arrays(fit, place.conditions), fit.frame).items()}
    labels[f"{setting} on {place.soil_class} soil"] = 1.0
    for label, multiplier in labels.items():
        if label in fit.at:
            weights[fit.at[label]] = multiplier
    if (name := f"machine slope of {setting}") in fit.reml.spans:
        known = np.flatnonzero(fit.labels(name) == place.machine_id)
        weights[fit.reml.spans[name].start + known] = 1.0
    return weights


def bend_weights(fit: ResponseFit, setting: str, value: float) -> Array:
    """Return weights over the coefficients, shape (M,), of the non-linear part of a setting's curve at a value."""
    weights, s = np.zeros(fit.reml.coef.size), next(s for s in fit.frame.settings if s.name == setting)
    if s.curve is not None:
        for i, c in enumerate(bend_of(s).columns(np.array([value]))[0]):
            if (label := f"bend of {setting}[{i}]") in fit.at:
                weights[fit.at[label]] = c
    return weights


def value_weights(fit: ResponseFit, setting: str, value: float, place: PredictionPoint) -> Array:
    """Return weights over the coefficients, shape (M,), of a setting's part of z at `value`, up to a constant."""
    s = next(s for s in fit.frame.settings if s.name == setting)
    x = (value - middle(s)) / s.step
    return np.asarray(x * step_weights(fit, setting, place) + bend_weights(fit, setting, value))


def _observed_conditions(fit: ResponseFit) -> tuple[dict[str, tuple[float, float]], dict[str, float]]:
    """Return the range of each condition over the fit's rows, and the mean of each condition column."""
    observed = {n: fit.rows[n].cast(float).to_numpy() for n in fit.frame.terms.conditions}
    means = {label: float(column.mean()) for label, column in labelled_columns(fit, observed).items()}
    return {n: (float(v.min()), float(v.max())) for n, v in observed.items()}, means


def condition_weights(fit: ResponseFit, at: Mapping[str, float]) -> Array:
    """Return weights over the coefficients, shape (M,), of `condition_level`; conditions are clipped to their range."""
    ranges, means = fit.once("conditions seen", lambda: _observed_conditions(fit))
    weights = np.zeros(fit.reml.coef.size)
    place = {n: np.array([np.clip(at[n], low, high)]) for n, (low, high) in ranges.items()}
    for name, column in labelled_columns(fit, place).items():
        weights[fit.at[name]] = column[0] - means[name]
    return weights


def condition_level(fit: ResponseFit, at: Mapping[str, float]) -> float:
    """Return the change of z from the typical load due to the conditions."""
    return float(condition_weights(fit, at) @ fit.reml.coef)


def usual_part(fit: ResponseFit, setting: str) -> float:
    """Return the reference of a setting's part of z: its mean over the rows with a value."""
    j, s = fit.place(setting), next(s for s in fit.frame.settings if s.name == setting)
    return fit.once(f"usual part of {setting}", lambda: float(whole_part(fit, s)[fit.has[:, j]].mean()))


def expected_scale(fit: ResponseFit, place: PredictionPoint, field_id: str, settings: Mapping[str, float]) -> float:
    """Return the expected z of a machine in a field under the place's conditions, with the given settings."""
    z = fit.typical + condition_level(fit, place.conditions)
    z += fit.intercept("field", field_id) + fit.intercept("machine", place.machine_id)
    for name in fit.settings:
        if name in settings:
            weights = value_weights(fit, name, settings[name], place)
            z += float(weights @ fit.reml.coef) - usual_part(fit, name)
    return z


def level_variance(fit: ResponseFit, place: PredictionPoint, field_id: str) -> float:
    """Return the variance of a future visit's mean z about `expected_scale`, due to field, machine and days.

    A field or machine in the fit contributes its prediction error variance; a new one, and a future day, contribute the
    whole variance of their factor. The error of the condition terms is small beside these and is left out.
    """
    known = {"field": field_id, "machine": place.machine_id}
    out = 0.0
    for name in ("field", "machine", "machine_day", "site_day"):
        if name not in fit.reml.spans:
            continue
        known_level = np.flatnonzero(fit.labels(name) == known[name]) if name in known else np.empty(0, dtype=np.int64)
        out += float(fit.level_se(name)[known_level[0]] ** 2) if known_level.size else fit.reml.variances[name]
    return out
