"""Curves of a response over the tried range of a setting, with simultaneous bands."""

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.arrays import Array, Mask
from transforms.config.settings_catalogue import Setting
from transforms.contracts.reason import REASON_COLUMNS, reason
from transforms.contracts.result_tables import schema_of
from transforms.mixed_model.contrasts import simultaneous_band
from transforms.model.effects import SUPPORT, cell_rows, slope_weights, untried_reason
from transforms.model.fit_result import ResponseFit
from transforms.model.reaction_shift import freed_coefficients

POINTS = 11
"""Number of points of a curve."""
MIN_VISITS, MIN_CURVE_MACHINES, WINDOW_STEPS = 15, 2, 1.0
"""A point has support if at least this number of visits and machines have values within `WINDOW_STEPS` of it."""
CURVE_SCHEMA = schema_of("curve")


def _curve_weights(fit: ResponseFit, s: Setting, rows: Mask, values: Array, usual: float) -> Array:
    """Return weights over the coefficients of the log change from the usual value to each of `values`, shape (k, M)."""
    straight = slope_weights(fit, s.name, rows)
    curves = [(curve, *fit.coefficients_of(curve)) for curve in fit.frame.curves(s.name)]
    straight[[at for _, _, places in curves for at in places]] = 0.0
    L = np.outer((values - usual) / s.step, straight)
    for curve, own, places in curves:
        L[:, places] = (curve.at(values) - curve.at(np.array([usual])))[:, own]
    return L


def _supported(fit: ResponseFit, s: Setting, rows: Mask, values: Array) -> NDArray[np.bool_]:
    """Return True for each of `values` with enough visits and machines near it, shape (k,)."""
    observed = fit.rows[s.name].cast(pl.Float64).to_numpy()[rows]
    visit, machine = fit.visits[rows], fit.machines[rows]
    out = []
    for value in values:
        near = np.abs(observed - value) <= WINDOW_STEPS * s.step
        out.append(np.unique(visit[near]).size >= MIN_VISITS and np.unique(machine[near]).size >= MIN_CURVE_MACHINES)
    return np.array(out)


def _rows_of(fit: ResponseFit, s: Setting, wetness: str | None, inside: Mask, min_loads: int) -> pl.DataFrame:
    """Return the curve of one setting in one wetness class, or a row with the reason why there is none."""
    head = {"response": fit.response, "setting": s.name, "wetness_class": wetness, "unit": s.unit}
    untried = untried_reason(fit, s.name, inside, min_loads)
    if untried is not None:
        return pl.DataFrame([{**head, "tried": False, **untried.columns}], schema=CURVE_SCHEMA)
    own_rows = inside & fit.observed[:, fit.setting_column(s.name)]
    observed = fit.rows[s.name].filter(pl.Series(own_rows)).cast(pl.Float64).to_numpy()
    low, usual, high = np.quantile(observed, (SUPPORT[0], 0.5, SUPPORT[1]))
    values = np.linspace(low, high, POINTS)
    L = _curve_weights(fit, s, own_rows, values, float(usual))
    freed, (se, multiple) = freed_coefficients(fit), simultaneous_band(fit.reml, L)
    mean = L @ freed.mean[: L.shape[1]]
    half = multiple * np.hypot(se, np.linalg.norm(L @ freed.root[: L.shape[1]], axis=1))
    supported = _supported(fit, s, own_rows, values)
    change, no_support = reason("change_from_usual", usual=float(usual), unit=s.unit), reason("few_visits_near")
    notes = [(change if has_support else no_support).columns for has_support in supported]
    table = pl.DataFrame(
        {
            "value": values,
            "mean": 100 * np.expm1(mean),
            "lo95": 100 * np.expm1(mean - half),
            "hi95": 100 * np.expm1(mean + half),
            "tried": supported,
            **{column: [note[column] for note in notes] for column in REASON_COLUMNS},
        }
    )
    return table.with_columns(
        pl.lit(v, dtype=CURVE_SCHEMA[k]).alias(k) for k, v in {**head, "soil_class": None}.items()
    )


def setting_curves(fit: ResponseFit, min_loads: int) -> pl.DataFrame:
    """Return the `curve` rows of a fit: each setting overall and by wetness class, percent change from the usual value.

    `lo95` and `hi95` are a simultaneous band: it contains the whole curve with 95 % probability. A point is `tried` if
    at least 15 visits of two machines have values within one step of it.

    Args:
        fit: the fit.
        min_loads: minimum number of loads in a wetness class.
    """
    tables = [pl.DataFrame(schema=CURVE_SCHEMA)]
    for (wetness, soil), inside in cell_rows(fit).items():
        if soil is None:
            tables += [
                _rows_of(fit, s, wetness, inside, min_loads).select(list(CURVE_SCHEMA)) for s in fit.frame.settings
            ]
    return pl.concat(tables)
