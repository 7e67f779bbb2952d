"""Why was this load dirty? Its departure from the typical load, split exactly by conditions, settings, the rest."""

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.stats import norm

from transforms.model.fit import ResponseFit, tare_from_scale

Array = NDArray[np.float64]
CONDITION_SOURCES = {
    "topsoil_wetness": "topsoil wetness",
    "wetness x clay": "topsoil wetness",
    "wetness bend x clay": "topsoil wetness",
    "clay_pct": "soil",
    "air_temp_c": "temperature, crop and date",
    "yield_t_ha": "temperature, crop and date",
    "campaign_day": "temperature, crop and date",
}


def setting_parts(fit: ResponseFit) -> Array:
    """Return each setting's part of z, shape (n, j): steps times (b_j + modifiers times deviations), centred."""
    design, core = fit.design, fit.reml.core
    parts = np.zeros_like(design.steps)
    for j, name in enumerate(design.settings):
        if name not in design.names:
            continue
        slope = np.full(design.steps.shape[0], core[design.names.index(name)])
        for label, value in design.modifiers.items():
            slope += value * core[fit.reml.spans[f"settings by {label}"].start + j]
        has = design.has[:, j]
        part = design.steps[:, j] * slope
        parts[:, j] = np.where(has, part - part[has].mean(), 0.0)
    return parts


def condition_parts(fit: ResponseFit) -> dict[str, Array]:
    """Return each condition source's part of z, centred."""
    out: dict[str, Array] = {}
    for index in np.flatnonzero(fit.design.condition):
        source = CONDITION_SOURCES[fit.design.names[index].split("[")[0]]
        column = fit.design.X[:, index]
        out[source] = out.get(source, 0.0) + (column - column.mean()) * fit.reml.beta[index]
    return out


def visit_part(fit: ResponseFit) -> Array:
    """Return the part of z that visit means carry, centred: how dirty such a visit is, whatever was set within it.

    It belongs to machine, field and day together: operators set by what they see, so it is no effect of the settings.
    """
    design, reml = fit.design, fit.reml
    index = [i for i, name in enumerate(design.names) if name.startswith("visit mean ")]
    part = design.X[:, index] @ reml.beta[index]
    for block in design.blocks:
        if block.name.startswith("visit means "):
            part = part + block.columns @ reml.u[block.name]
    return np.asarray(part - part.mean())


def _factor_part(fit: ResponseFit, name: str) -> Array:
    codes = next(f.codes for f in fit.design.factors if f.name == name)
    return fit.reml.u[name][codes]


def expected(fit: ResponseFit) -> pl.DataFrame:
    """Return `load_id, observed_pct, expected_pct, lo95, hi95`: what a load's conditions and field lead one to expect.

    All settings stand at the fleet's usual, machine and day at none. The interval is of the expectation, not of a
    load: covariance of the condition curves plus the field's prediction error.
    """
    design, reml = fit.design, fit.reml
    index = np.flatnonzero(design.condition)
    columns = design.X[:, index] - design.X[:, index].mean(axis=0)
    typical = float(np.average(fit.z))
    z = typical + columns @ reml.beta[index] + _factor_part(fit, "field")
    codes = next(f.codes for f in design.factors if f.name == "field")
    variance = (
        np.einsum("ij,jk,ik->i", columns, reml.cov_core[np.ix_(index, index)], columns) + reml.u_se["field"][codes] ** 2
    )
    half = norm.ppf(0.975) * np.sqrt(variance)
    return design.rows.select("load_id").with_columns(
        pl.Series("observed_pct", tare_from_scale(fit.z)), pl.Series("expected_pct", tare_from_scale(z)),
        pl.Series("lo95", tare_from_scale(z - half)), pl.Series("hi95", tare_from_scale(z + half)),
    )  # fmt: skip


def why(fit: ResponseFit) -> pl.DataFrame:
    """Return `load_id, source, kind, points`: percentage points of dirt tare; a load's rows add up to its departure.

    On the fitted scale the parts add up by construction; each is turned into points by the logarithmic mean
    (tare_i - tare_0) / (z_i - z_0), which keeps the sum exact (the LMDI rule, Ang 2004).
    """
    typical = float(np.average(fit.z))
    parts: list[tuple[str, str, Array]] = [(s, "condition", v) for s, v in condition_parts(fit).items()]
    by_setting = setting_parts(fit)
    parts += [(name, "setting", by_setting[:, j]) for j, name in enumerate(fit.design.settings)]
    parts += [(name, name, _factor_part(fit, name)) for name in ("field", "machine", "machine_day")]
    parts.append(("visit", "visit", visit_part(fit)))
    known = np.sum([p for _, _, p in parts], axis=0)
    parts.append(("lab and unexplained", "unexplained", fit.z - typical - known))
    gap = fit.z - typical
    tare, typical_tare = tare_from_scale(fit.z), float(tare_from_scale(np.array([typical]))[0])
    slope = typical_tare * (100 - typical_tare) / 100
    rate = np.where(np.abs(gap) > 1e-9, (tare - typical_tare) / np.where(np.abs(gap) > 1e-9, gap, 1.0), slope)
    ids = fit.design.rows["load_id"]
    return pl.concat(
        [
            pl.DataFrame(
                {"load_id": ids, "source": [source] * ids.len(), "kind": [kind] * ids.len(), "points": part * rate}
            )
            for source, kind, part in parts
        ]
    ).sort("load_id", "source")
