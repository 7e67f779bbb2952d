"""Exact decomposition of a load's departure from the typical load: conditions, settings, intercepts, unexplained."""

from collections.abc import Mapping

import numpy as np
import polars as pl
from scipy.stats import norm

from transforms.arrays import Array
from transforms.config.settings_catalogue import Setting
from transforms.contracts.classes import SOIL_CLASSES
from transforms.model.condition_terms import condition_curves, condition_lines
from transforms.model.design_matrix import bend_of, condition_values, middle
from transforms.model.effects import classes_of
from transforms.model.facts import pct_from_scale
from transforms.model.fit_result import ResponseFit
from transforms.model.fit_rows import dense_passes

CONDITION_SOURCES = {
    "topsoil_wetness": "topsoil wetness",
    "wetness x clay": "topsoil wetness",
    "surface of wetness and clay": "topsoil wetness",
    "clay_pct": "soil",
    "air_temp_c": "temperature, crop and date",
    "yield_t_ha": "temperature, crop and date",
    "campaign_day": "temperature, crop and date",
}
"""Term of a condition -> source of the decomposition."""
JOINT = ("wetness x clay", "surface of wetness and clay")
"""Terms that wetness and clay share."""
INTERCEPTS = ("field", "machine", "operator", "machine_day", "site_day", "season")


def source_of(label: str) -> str | None:
    """Return the condition source of a column of D; None for other columns."""
    return CONDITION_SOURCES.get(label.split("[", maxsplit=1)[0].removeprefix("curve of "))


def condition_columns(fit: ResponseFit) -> dict[str, list[int]]:
    """Return the columns of D of each condition source."""
    out: dict[str, list[int]] = {}
    for label, i in fit.at.items():
        if source := source_of(label):
            out.setdefault(source, []).append(i)
    return out


def whole_part(fit: ResponseFit, setting: Setting) -> Array:
    """Return a setting's within-visit part of z for each row, shape (n,), up to a constant."""
    x = fit.x[:, fit.place(setting.name)]
    part = x * slopes_at(fit, setting.name)
    if setting.curve is not None:
        bend = bend_of(setting).columns(middle(setting) + x * setting.step)
        for i, column in enumerate(bend.T):
            if (label := f"bend of {setting.name}[{i}]") in fit.at:
                part = part + column * fit.reml.coef[fit.at[label]]
    return part


def setting_parts(fit: ResponseFit) -> Array:
    """Return each setting's part of z, shape (n, j), centred over the rows with a value; 0 for rows without."""
    parts = np.zeros_like(fit.x)
    for j, s in enumerate(fit.frame.settings):
        if s.name in fit.at:
            observed, part = fit.has[:, j], whole_part(fit, s)
            parts[:, j] = np.where(observed, part - part[observed].mean(), 0.0)
    return parts


def slopes_at(fit: ResponseFit, setting: str) -> Array:
    """Return the linear effect of one step for each row, shape (n,), with its modifiers, soil class and machine."""
    coef = fit.reml.coef
    slope = np.full(fit.z.size, coef[fit.at[setting]])
    for by, value in fit.modifiers.items():
        if (label := f"{setting} by {by}") in fit.at:
            slope = slope + value * coef[fit.at[label]]
    if fit.frame.terms.by_soil:
        soil = classes_of(fit.rows)["soil_class"].to_numpy()
        for s in SOIL_CLASSES:
            if (label := f"{setting} on {s} soil") in fit.at:
                slope = slope + (soil == s) * coef[fit.at[label]]
    if (name := f"machine slope of {setting}") in fit.reml.spans:
        slope = slope + fit.reml.u[name][fit.levels(name)]
    return np.asarray(slope)


def labelled_columns(fit: ResponseFit, values: Mapping[str, Array]) -> dict[str, Array]:
    """Return the condition columns in the model at the given conditions, label -> shape (n,)."""
    terms = fit.frame.terms
    lines, names = condition_lines(values, terms.conditions, surface=terms.surface)
    out = dict(zip(names, lines.T, strict=True))
    for name, columns in condition_curves(values, terms.conditions, surface=terms.surface).items():
        out |= {f"{name}[{i}]": c for i, c in enumerate(columns.T)}
    return {n: c for n, c in out.items() if n in fit.at}


def labelled_conditions(fit: ResponseFit, values: Mapping[str, Array]) -> dict[str, Array]:
    """Return the contribution of each condition column to z at the given conditions, label -> shape (n,)."""
    return {n: c * fit.reml.coef[fit.at[n]] for n, c in labelled_columns(fit, values).items()}


def _joint(parts: dict[str, Array]) -> Array:
    """Return the sum of the terms that wetness and clay share."""
    joint = [v for n, v in parts.items() if n.split("[", 1)[0] in JOINT]
    return np.asarray(sum(joint)) if joint else np.zeros(1)


def condition_parts(fit: ResponseFit) -> dict[str, Array]:
    """Return each condition source's part of z, centred.

    The shared terms of wetness and clay are split as in an analysis of variance: the soil gets their value at the mean
    wetness, and wetness the remainder. So neither source receives a part that belongs to the other.
    """
    values = condition_values(fit.rows, fit.frame)
    whole = labelled_conditions(fit, values)
    out: dict[str, Array] = {}
    for label, part in whole.items():
        source = CONDITION_SOURCES[label.split("[", 1)[0].removeprefix("curve of ")]
        out[source] = out.get(source, 0.0) + part
    if fit.frame.terms.surface:
        usual = np.full(fit.z.size, values["topsoil_wetness"].mean())
        at_usual = _joint(labelled_conditions(fit, {**values, "topsoil_wetness": usual}))
        out["soil"] = out.get("soil", 0.0) + at_usual
        out["topsoil wetness"] = out.get("topsoil wetness", 0.0) - at_usual
    return {source: part - part.mean() for source, part in out.items()}


def intercept_parts(fit: ResponseFit) -> dict[str, Array]:
    """Return the predicted intercept of each row's level of each factor in the model."""
    return {name: fit.reml.u[name][fit.levels(name)] for name in INTERCEPTS if name in fit.reml.spans}


def expected(fit: ResponseFit) -> pl.DataFrame:
    """Return `load_id, observed_pct, expected_pct, lo95, hi95`: the tare expected for a load's conditions and field.

    The settings are at the fleet's usual values; machine, operator and day contribute nothing. The interval is for the
    expectation, not for a single load: covariance of the condition terms plus the field's prediction error.
    """
    reml = fit.reml
    at = sorted(i for places in condition_columns(fit).values() for i in places)
    mean = np.zeros(len(at))
    for _, D, _ in dense_passes(fit):
        mean += D[:, at].sum(axis=0) / fit.z.size
    z, variance = np.empty(fit.z.size), np.empty(fit.z.size)
    cov = reml.cov_core[np.ix_(at, at)]
    for rows, D, _ in dense_passes(fit):
        columns = D[:, at] - mean
        z[rows] = fit.typical + columns @ reml.coef[at]
        variance[rows] = ((columns @ cov) * columns).sum(axis=1)
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
    parts += [(s.name, "setting", by_setting[:, j]) for j, s in enumerate(fit.frame.settings) if s.name in fit.at]
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
