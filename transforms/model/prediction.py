"""What the model says of one setting's value, and of conditions, at one place and machine."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from transforms.model.design_matrix import bend_of, middle, modifiers_of
from transforms.model.fit import ResponseFit
from transforms.model.load_decomposition import labelled_columns, whole_part

Array = NDArray[np.float64]


@dataclass(frozen=True)
class PredictionPoint:
    """Conditions at one place, its soil class and the machine that works there."""

    conditions: Mapping[str, float]
    soil_class: str
    machine_id: str


def _arrays(fit: ResponseFit, at: Mapping[str, float]) -> dict[str, Array]:
    return {n: np.array([at[n]]) for n in fit.frame.terms.conditions}


def step_weights(fit: ResponseFit, setting: str, place: PredictionPoint) -> Array:
    """Return weights over the coefficients whose product is what one step does by its straight part at a place."""
    weights = np.zeros(fit.reml.coef.size)
    weights[fit.at[setting]] = 1.0
    labels = {f"{setting} by {by}": v[0] for by, v in modifiers_of(_arrays(fit, place.conditions), fit.frame).items()}
    labels[f"{setting} on {place.soil_class} soil"] = 1.0
    for label, times in labels.items():
        if label in fit.at:
            weights[fit.at[label]] = times
    if (name := f"machine slope of {setting}") in fit.reml.spans:
        known = np.flatnonzero(fit.labels(name) == place.machine_id)
        weights[fit.reml.spans[name].start + known] = 1.0
    return weights


def bend_weights(fit: ResponseFit, setting: str, value: float) -> Array:
    """Return weights over the coefficients whose product is the bend of a setting's curve at a value."""
    weights, s = np.zeros(fit.reml.coef.size), next(s for s in fit.frame.settings if s.name == setting)
    if s.curve is not None:
        for i, c in enumerate(bend_of(s).columns(np.array([value]))[0]):
            if (label := f"bend of {setting}[{i}]") in fit.at:
                weights[fit.at[label]] = c
    return weights


def value_weights(fit: ResponseFit, setting: str, value: float, place: PredictionPoint) -> Array:
    """Return weights over the coefficients whose product is the setting's part of z at `value`, up to a constant."""
    s = next(s for s in fit.frame.settings if s.name == setting)
    x = (value - middle(s)) / s.step
    return np.asarray(x * step_weights(fit, setting, place) + bend_weights(fit, setting, value))


def _seen(fit: ResponseFit) -> tuple[dict[str, tuple[float, float]], dict[str, float]]:
    """The range of each condition over the fit's rows, and the mean of each condition column."""
    seen = {n: fit.rows[n].cast(float).to_numpy() for n in fit.frame.terms.conditions}
    means = {label: float(column.mean()) for label, column in labelled_columns(fit, seen).items()}
    return {n: (float(v.min()), float(v.max())) for n, v in seen.items()}, means


def condition_weights(fit: ResponseFit, at: Mapping[str, float]) -> Array:
    """Return weights over the coefficients whose product is `condition_level`; beyond what was seen counts its edge."""
    ranges, means = fit.once("conditions seen", lambda: _seen(fit))
    weights = np.zeros(fit.reml.coef.size)
    place = {n: np.array([np.clip(at[n], low, high)]) for n, (low, high) in ranges.items()}
    for name, column in labelled_columns(fit, place).items():
        weights[fit.at[name]] = column[0] - means[name]
    return weights


def condition_level(fit: ResponseFit, at: Mapping[str, float]) -> float:
    """Return how far conditions move z from the typical load's."""
    return float(condition_weights(fit, at) @ fit.reml.coef)


def usual_part(fit: ResponseFit, setting: str) -> float:
    """Return a setting's part of z that counts as none: its mean over the rows that have it."""
    j, s = fit.place(setting), next(s for s in fit.frame.settings if s.name == setting)
    return fit.once(f"usual part of {setting}", lambda: float(whole_part(fit, s)[fit.has[:, j]].mean()))


def expected_scale(fit: ResponseFit, place: PredictionPoint, field_id: str, settings: Mapping[str, float]) -> float:
    """Return z expected of a machine in a field under the place's conditions, its settings as given."""
    z = fit.typical + condition_level(fit, place.conditions)
    z += fit.intercept("field", field_id) + fit.intercept("machine", place.machine_id)
    for name in fit.settings:
        if name in settings:
            weights = value_weights(fit, name, settings[name], place)
            z += float(weights @ fit.reml.coef) - usual_part(fit, name)
    return z


def level_variance(fit: ResponseFit, place: PredictionPoint, field_id: str) -> float:
    """Return the variance of a next visit's mean z about `expected_scale`: field, machine and the day's own levels.

    A field or machine the fit knows counts by the error of its prediction, a new one by its whole variance; so do the
    days to come. The conditions' own error, small beside these, is left out.
    """
    known = {"field": field_id, "machine": place.machine_id}
    out = 0.0
    for name in ("field", "machine", "machine_day", "site_day"):
        if name not in fit.reml.spans:
            continue
        where = np.flatnonzero(fit.labels(name) == known[name]) if name in known else np.empty(0, dtype=np.int64)
        out += float(fit.level_se(name)[where[0]] ** 2) if where.size else fit.reml.variances[name]
    return out
