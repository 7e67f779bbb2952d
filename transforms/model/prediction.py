"""Predictions of the model for a value of a setting, and for conditions, at one place and machine."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from transforms.arrays import Array
from transforms.model.design_matrix import multipliers_at
from transforms.model.direct_conditions import direct_coefficients, direct_conditions
from transforms.model.factor_terms import MachineSlope
from transforms.model.fit_result import ResponseFit
from transforms.model.load_decomposition import columns_at, within_visit_part
from transforms.model.setting_terms import setting_origin


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
    """Return weights over the coefficients, shape (M,), of the linear effect of one step of a setting at a place.

    Args:
        fit: the fit.
        setting: name of a setting in the model.
        place: conditions, soil class and machine; an unknown machine has the fleet's slope.

    Returns:
        The weights; times the coefficients they give the change of z, on the log scale, per practical step.

    Raises:
        KeyError: the setting is not in the model, or the place lacks a condition of the model.
    """
    weights = np.zeros(fit.reml.coef.size)
    here = multipliers_at(_arrays(fit, place.conditions), np.array([place.soil_class]), fit.frame.terms)
    for at, term in fit.step_terms(setting):
        weights[at] = term.multiplier(here)[0]
    if fit.contains(slope := MachineSlope(setting)):
        known = np.flatnonzero(fit.labels(slope.name) == place.machine_id)
        weights[fit.reml.spans[slope.name].start + known] = 1.0
    return weights


def bend_weights(fit: ResponseFit, setting: str, value: float) -> Array:
    """Return weights over the coefficients, shape (M,), of the non-linear part of a setting's curve at a value.

    Args:
        fit: the fit.
        setting: name of a candidate setting; without a curve, all weights are 0.
        value: value of the setting, in its unit.
    """
    weights = np.zeros(fit.reml.coef.size)
    for curve in fit.frame.curves(setting):
        own, places = fit.coefficients_of(curve)
        weights[places] = curve.at(np.array([value]))[0, own]
    return weights


def value_weights(fit: ResponseFit, setting: str, value: float, place: PredictionPoint) -> Array:
    """Return weights over the coefficients, shape (M,), of a setting's part of z at `value`, up to a constant.

    Args:
        fit: the fit.
        setting: name of a setting in the model.
        value: value of the setting, in its unit.
        place: conditions, soil class and machine; an unknown machine has the fleet's slope.

    Raises:
        KeyError: the setting is a candidate that is not in the model, or the place lacks a condition of the model.
    """
    return weights_of_values(fit, setting, [value], place)[0]


def weights_of_values(fit: ResponseFit, setting: str, values: list[float], place: PredictionPoint) -> list[Array]:
    """Return `value_weights` at several values of a setting.

    Args:
        fit: the fit.
        setting: name of a setting in the model.
        values: values of the setting, in its unit.
        place: conditions, soil class and machine; an unknown machine has the fleet's slope.

    Raises:
        KeyError: the setting is a candidate that is not in the model, or the place lacks a condition of the model.
    """
    s, slope = fit.frame.setting(setting), step_weights(fit, setting, place)
    origin = setting_origin(s)
    return [np.asarray((v - origin) / s.step * slope + bend_weights(fit, setting, v)) for v in values]


def _observed_conditions(fit: ResponseFit) -> tuple[dict[str, tuple[float, float]], dict[int, float]]:
    """Return the range of each condition over the fit's rows, and the mean of each condition column in the model."""
    observed = {n: fit.rows[n].cast(float).to_numpy() for n in fit.frame.terms.conditions}
    means = {c.at: float(c.values.mean()) for c in columns_at(fit, observed)}
    return {n: (float(v.min()), float(v.max())) for n, v in observed.items()}, means


def condition_weights(fit: ResponseFit, at: Mapping[str, float]) -> Array:
    """Return weights over the coefficients, shape (M,), of `condition_level`: direct effects of conditions (5.4).

    Args:
        fit: the fit.
        at: condition -> its value, in its unit; clipped to the range of the fit's rows.

    Raises:
        KeyError: a condition of the model is missing.
    """
    ranges, means = fit.cached("conditions seen", lambda: _observed_conditions(fit))
    weights = np.zeros(fit.reml.coef.size)
    place = {n: np.array([np.clip(at[n], low, high)]) for n, (low, high) in ranges.items()}
    for c in columns_at(fit, place):
        weights[c.at] = c.values[0] - means[c.at]
    weights[: fit.width] = weights[: fit.width] @ direct_conditions(fit)
    return weights


def condition_level(fit: ResponseFit, at: Mapping[str, float]) -> float:
    """Return the change of z, on the log scale, from the typical load due to the conditions.

    Args:
        fit: the fit.
        at: condition -> its value, in its unit; clipped to the range of the fit's rows.

    Raises:
        KeyError: a condition of the model is missing.
    """
    return float(condition_weights(fit, at) @ fit.reml.coef)


def condition_levels(fit: ResponseFit, at: Mapping[str, Array]) -> Array:
    """Return `condition_level` at several points, shape (n,).

    Args:
        fit: the fit.
        at: condition -> its values, in its unit, shape (n,); clipped to the range of the fit's rows.

    Raises:
        KeyError: a condition of the model is missing.
    """
    ranges, means = fit.cached("conditions seen", lambda: _observed_conditions(fit))
    inside = {n: np.clip(at[n], low, high) for n, (low, high) in ranges.items()}
    direct = direct_coefficients(fit)
    parts = [direct[c.at] * (c.values - means[c.at]) for c in columns_at(fit, inside)]
    return np.asarray(sum(parts, np.zeros(len(next(iter(at.values()))))))


def mean_setting_part(fit: ResponseFit, setting: str) -> float:
    """Return the reference of a setting's part of z: its mean over the rows with a value.

    Args:
        fit: the fit.
        setting: name of a setting in the model.

    Raises:
        KeyError: the setting is a candidate that is not in the model.
    """
    j, s = fit.setting_column(setting), fit.frame.setting(setting)
    return fit.cached(f"usual part of {setting}", lambda: float(within_visit_part(fit, s)[fit.observed[:, j]].mean()))


def expected_scale(fit: ResponseFit, place: PredictionPoint, field_id: str, settings: Mapping[str, float]) -> float:
    """Return the expected z of a machine in a field under the place's conditions, with the given settings.

    Args:
        fit: the fit.
        place: conditions, soil class and machine; an unknown machine has intercept 0 and the fleet's slopes.
        field_id: the field; an unknown field has intercept 0.
        settings: setting -> its value, in its unit; a setting of the model without a value is taken as usual, and
            settings outside the model are ignored.

    Returns:
        z on the fitted scale of the response; for a tare, `pct_from_scale` converts it to percent of the
            delivered weight.

    Raises:
        KeyError: the place lacks a condition of the model.
    """
    z = fit.typical + condition_level(fit, place.conditions)
    z += fit.intercept("field", field_id) + fit.intercept("machine", place.machine_id)
    for name in fit.settings:
        if name in settings:
            weights = value_weights(fit, name, settings[name], place)
            z += float(weights @ fit.reml.coef) - mean_setting_part(fit, name)
    return z


def level_variance(fit: ResponseFit, place: PredictionPoint, field_id: str) -> float:
    """Return the variance of a future visit's mean z about `expected_scale`, due to field, machine and days.

    A field or machine in the fit contributes its prediction error variance; a new one, and a future day, contribute the
    whole variance of their factor. The error of the condition terms is small beside these and is left out.

    Args:
        fit: the fit.
        place: the place; only its machine matters here.
        field_id: the field.

    Returns:
        The variance, in squared units of z; factors that are not in the model contribute nothing.
    """
    known = {"field": field_id, "machine": place.machine_id}
    out = 0.0
    for name in ("field", "machine", "machine_day", "site_day"):
        if name not in fit.reml.spans:
            continue
        known_level = np.flatnonzero(fit.labels(name) == known[name]) if name in known else np.empty(0, dtype=np.int64)
        out += float(fit.level_se(name)[known_level[0]] ** 2) if known_level.size else fit.reml.variances[name]
    return out
