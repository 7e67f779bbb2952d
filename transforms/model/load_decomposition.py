"""Exact decomposition of a load's departure from the typical load: conditions, settings, intercepts, unexplained."""

from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy.stats import norm

from transforms.arrays import Array
from transforms.config.settings_catalogue import Setting
from transforms.model.condition_terms import JOINT, ConditionTerm, Values
from transforms.model.design_matrix import condition_values
from transforms.model.direct_conditions import direct_coefficients, direct_conditions
from transforms.model.factor_terms import MachineSlope
from transforms.model.fit_result import ResponseFit
from transforms.model.fit_rows import dense_passes
from transforms.model.response_scale import pct_from_scale
from transforms.model.setting_terms import SettingEffect

CONDITION_SOURCES = {
    "topsoil_wetness": "topsoil wetness",
    "clay_pct": "soil",
    "air_temp_c": "temperature, crop and date",
    "air_temp_10d_c": "temperature, crop and date",
    "yield_t_ha": "temperature, crop and date",
    "root_mass_kg": "temperature, crop and date",
    "campaign_day": "temperature, crop and date",
}
"""First condition of a term -> source of the decomposition."""
INTERCEPTS = ("field", "machine", "operator", "machine_day", "site_day", "season")


@dataclass(frozen=True)
class ConditionColumn:
    """Column of a condition term in the model.

    Attributes:
        term: the term.
        at: index of its coefficient.
        values: the column, shape (n,).
    """

    term: ConditionTerm
    at: int
    values: Array


def source_of(term: ConditionTerm) -> str:
    """Return the source of a term of conditions; terms of wetness and clay together belong to wetness."""
    return CONDITION_SOURCES[term.conditions[0]]


def condition_columns(fit: ResponseFit) -> list[int]:
    """Return the columns of D of the conditions, ascending."""
    return sorted(at for term in fit.frame.condition_terms for at in fit.coefficients_of(term)[1])


def within_visit_part(fit: ResponseFit, setting: Setting) -> Array:
    """Return a setting's within-visit part of z for each row, shape (n,), up to a constant.

    Args:
        fit: the fit.
        setting: a setting in the model.

    Raises:
        KeyError: the setting is a candidate that is not in the model.
    """
    x = fit.x[:, fit.setting_column(setting.name)]
    part = x * row_slopes(fit, setting.name)
    for curve in fit.frame.curves(setting.name):
        own, places = fit.coefficients_of(curve)
        for column, at in zip(curve.at_steps(x).T[own], places, strict=True):
            part = part + column * fit.reml.coef[at]
    return part


def setting_parts(fit: ResponseFit) -> Array:
    """Return each setting's part of z, shape (n, j), centred over the rows with a value; 0 for rows without."""
    parts = np.zeros_like(fit.x)
    for j, s in enumerate(fit.frame.settings):
        if fit.contains(SettingEffect(s.name)):
            observed, part = fit.observed[:, j], within_visit_part(fit, s)
            parts[:, j] = np.where(observed, part - part[observed].mean(), 0.0)
    return parts


def row_slopes(fit: ResponseFit, setting: str) -> Array:
    """Return the linear effect of one step for each row, with its modifiers, soil class and machine.

    Args:
        fit: the fit.
        setting: name of a setting in the model.

    Returns:
        Change of z, on the log scale, per practical step, without the setting's curve, shape (n,).

    Raises:
        KeyError: the setting is not in the model.
    """
    slope = np.zeros(fit.z.size)
    for at, term in fit.step_terms(setting):
        slope = slope + term.multiplier(fit.multipliers) * fit.reml.coef[at]
    if fit.contains(own := MachineSlope(setting)):
        slope = slope + fit.reml.u[own.name][fit.levels(own.name)]
    return np.asarray(slope)


def columns_at(fit: ResponseFit, values: Values) -> list[ConditionColumn]:
    """Return the condition columns in the model at the given conditions, in the order of D.

    Args:
        fit: the fit.
        values: condition -> its values, in its unit, shape (n,); all conditions of the model.
    """
    out = []
    for term in fit.frame.condition_terms:
        columns, (own, places) = term.at(values), fit.coefficients_of(term)
        out += [ConditionColumn(term, at, columns[:, i]) for i, at in zip(own, places, strict=True)]
    return out


def _joint(fit: ResponseFit, values: Values) -> Array:
    """Return the contribution to z of the terms that wetness and clay share at the given conditions, shape (n,)."""
    direct = direct_coefficients(fit)
    joint = [c.values * direct[c.at] for c in columns_at(fit, values) if c.term.conditions == JOINT]
    return np.asarray(sum(joint)) if joint else np.zeros(1)


def condition_parts(fit: ResponseFit) -> dict[str, Array]:
    """Return each condition source's part of z, centred.

    The shared terms of wetness and clay are split as in an analysis of variance: the soil gets their value at the mean
    wetness, and wetness the remainder. So neither source receives a part that belongs to the other.
    """
    values, direct = condition_values(fit.rows, fit.frame), direct_coefficients(fit)
    out: dict[str, Array] = {}
    for c in columns_at(fit, values):
        source = source_of(c.term)
        out[source] = out.get(source, 0.0) + c.values * direct[c.at]
    if fit.frame.terms.surface:
        usual = np.full(fit.z.size, values["topsoil_wetness"].mean())
        at_usual = _joint(fit, {**values, "topsoil_wetness": usual})
        out["soil"] = out.get("soil", 0.0) + at_usual
        out["topsoil wetness"] = out.get("topsoil wetness", 0.0) - at_usual
    return {source: part - part.mean() for source, part in out.items()}


def intercept_parts(fit: ResponseFit) -> dict[str, Array]:
    """Return the predicted intercept of each row's level of each factor in the model."""
    return {name: fit.reml.u[name][fit.levels(name)] for name in INTERCEPTS if name in fit.reml.spans}


def expected_loads(fit: ResponseFit) -> pl.DataFrame:
    """Return `load_id, observed_pct, expected_pct, lo95, hi95, conditions_pct`: the tare expected for each load.

    `expected_pct` is the tare expected for the load's conditions and field, `conditions_pct` for its conditions alone,
    with an average field. The settings are at the fleet's usual values; machine, operator and day contribute nothing.
    The interval is for the first expectation, not for a single load: covariance of the condition terms plus the field's
    prediction error.
    """
    reml = fit.reml
    at = condition_columns(fit)
    mean = np.zeros(len(at))
    for _, D, _ in dense_passes(fit):
        mean += D[:, at].sum(axis=0) / fit.z.size
    z, variance = np.empty(fit.z.size), np.empty(fit.z.size)
    direct = direct_conditions(fit)[at]
    coefficients, cov = direct @ reml.coef[: fit.width], direct @ reml.cov_core @ direct.T
    for rows, D, _ in dense_passes(fit):
        columns = D[:, at] - mean
        z[rows] = fit.typical + columns @ coefficients
        variance[rows] = ((columns @ cov) * columns).sum(axis=1)
    of_conditions = z.copy()
    if "field" in reml.spans:
        field = fit.levels("field")
        z += reml.u["field"][field]
        variance += reml.u_se("field")[field] ** 2
    half = norm.ppf(0.975) * np.sqrt(variance)
    return (
        fit.rows.select("load_id")
        .with_columns(
            pl.Series("observed_pct", pct_from_scale(fit.z)),
            pl.Series("expected_pct", pct_from_scale(z)),
            pl.Series("lo95", pct_from_scale(z - half)),
            pl.Series("hi95", pct_from_scale(z + half)),
            pl.Series("conditions_pct", pct_from_scale(of_conditions)),
        )
        .sort("load_id")
    )


def _add_visit_part(fit: ResponseFit, visit: Array, intercepts: dict[str, Array]) -> dict[str, Array]:
    """Return the intercepts with the visit part added: its means by machine, then by field, and the rest by day.

    The visit means of settings, beyond the settings' within-visit effects, are not an effect of the settings, because
    operators adjust them to what they see.
    """
    out = dict(intercepts)
    left = visit
    for name, key in (("machine", "machine_id"), ("field", "field_id")):
        level = fit.rows[key].rank("dense").to_numpy() - 1
        mean = (np.bincount(level, weights=left) / np.bincount(level))[level]
        out[name] = out.get(name, 0.0) + mean
        left = left - mean
    out["machine_day"] = out.get("machine_day", 0.0) + left
    return out


def parts_of_z(fit: ResponseFit) -> list[tuple[str, str, Array]]:
    """Return (source, kind, part of z, shape (n,)); together with `fit.typical` they add up to z as measured."""
    parts: list[tuple[str, str, Array]] = [(s, "condition", v) for s, v in condition_parts(fit).items()]
    by_setting = setting_parts(fit)
    parts += [(name, "setting", by_setting[:, fit.setting_column(name)]) for name in fit.settings]
    intercepts = intercept_parts(fit)
    known = np.sum([p for *_, p in parts], axis=0) + sum(intercepts.values())
    visit = fit.fitted - fit.typical - known
    parts += [(name, name, part) for name, part in _add_visit_part(fit, visit, intercepts).items()]
    parts.append(("lab and unexplained", "unexplained", fit.z - fit.fitted))
    return parts


def contributions(fit: ResponseFit) -> pl.DataFrame:
    """Return `load_id, source, kind, points`: percentage points of dirt tare that add up to the load's departure.

    The parts add up on the fitted scale by construction. Each is converted to percentage points by the logarithmic mean
    (tare_i - tare_0) / (z_i - z_0), which keeps the sum exact (the LMDI method, Ang 2004).
    """
    typical = fit.typical
    gap = fit.z - typical
    tare, typical_tare = pct_from_scale(fit.z), float(pct_from_scale(np.array([typical]))[0])
    slope = typical_tare * (100 - typical_tare) / 100
    rate = np.where(np.abs(gap) > 1e-9, (tare - typical_tare) / np.where(np.abs(gap) > 1e-9, gap, 1.0), slope)
    ids = fit.rows["load_id"]
    return pl.concat(
        [
            pl.DataFrame(
                {"load_id": ids, "source": [source] * ids.len(), "kind": [kind] * ids.len(), "points": part * rate}
            )
            for source, kind, part in parts_of_z(fit)
        ]
    ).sort("load_id", "source")
