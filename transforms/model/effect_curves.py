"""Curves of a response over the tried range of a setting, with simultaneous bands.

The effect of a setting in a pair that interacts (`pair_tests.py`) depends on the other setting. Its curve is that at
the other's usual value, the median of the rows: with g the estimate of the pair and x in practical steps,

    change = l'(c - K g) + g (x - x_usual)(x_other,usual - x_other,mean)

with l the weights of the change over the coefficients c of the fit, and K those of the pair's product fitted by the
same columns: in a class in which the other setting is run higher, the fit without the pair has a part of it in l'c.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.arrays import Array, Mask, to_float
from transforms.config.settings_catalogue import Setting
from transforms.contracts.reason import REASON_COLUMNS, Reason, reason
from transforms.contracts.result_tables import schema_of
from transforms.mixed_model.contrasts import simultaneous_band
from transforms.model.added_columns import fit_columns
from transforms.model.effects import SUPPORT, cell_rows, slope_weights, untried_reason
from transforms.model.fit_result import ResponseFit
from transforms.model.pair_tests import SMALLEST, interacting_pairs, mean_steps, pair_column
from transforms.model.reaction_shift import freed_coefficients
from transforms.model.setting_terms import setting_origin

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


@dataclass(frozen=True)
class _BesideUsual:
    """Addition of the pairs of a setting to its curve, at the usual values of the other settings.

    Attributes:
        notes: usual value of each of these settings.
        change: change of z at each value, shape (k,).
        variance: its variance, shape (k,).
    """

    notes: list[Reason]
    change: Array
    variance: Array


def _beside_usual(fit: ResponseFit, s: Setting, rows: Mask, steps: Array, L: Array, min_loads: int) -> _BesideUsual:
    """Return what the pairs of a setting add to its curve.

    Args:
        fit: the fit.
        s: the setting.
        rows: the rows of the curve.
        steps: values less the usual one, in practical steps, shape (k,).
        L: weights of the change over the coefficients, shape (k, M).
        min_loads: minimum number of rows with both settings of a pair.
    """
    notes, change, variance = [], np.zeros(steps.size), np.zeros(steps.size)
    for test in interacting_pairs(fit, min_loads):
        if s.name not in test.pair or test.estimate is None or abs(test.estimate[0]) < SMALLEST:
            continue
        other = fit.frame.setting(next(n for n in test.pair if n != s.name))
        usual = fit.rows.filter(pl.Series(rows))[other.name].cast(pl.Float64).median()
        if usual is None:
            continue
        notes.append(reason("setting_at_usual", setting=other.name, value=usual, unit=other.unit))
        beside = (to_float(usual) - setting_origin(other)) / other.step - mean_steps(fit, other.name)
        by_g = steps * beside - L @ _pair_coefficients(fit, test.pair)[: L.shape[1]]
        change, variance = change + by_g * test.estimate[0], variance + (by_g * test.estimate[1]) ** 2
    return _BesideUsual(notes, change, variance)


def _pair_coefficients(fit: ResponseFit, pair: tuple[str, str]) -> Array:
    """Return K of a pair, shape (M,); computed once a fit."""
    name = f"coefficients of the pair {pair}"
    return fit.cached(name, lambda: fit_columns(fit, pair_column(fit, pair)[:, None])[0][:, 0])


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
    L, steps = _curve_weights(fit, s, own_rows, values, float(usual)), (values - usual) / s.step
    beside = _beside_usual(fit, s, own_rows, steps, L, min_loads)
    freed, (se, multiple) = freed_coefficients(fit), simultaneous_band(fit.reml, L)
    mean = L @ freed.mean[: L.shape[1]] + beside.change
    by_reaction = np.linalg.norm(L @ freed.root[: L.shape[1]], axis=1)
    half = multiple * np.sqrt(se**2 + by_reaction**2 + beside.variance)
    supported = _supported(fit, s, own_rows, values)
    at_usual = {"usual": float(usual), "unit": s.unit}
    change = reason("change_from_usual", **at_usual)
    if beside.notes:
        change = reason("change_beside_usual", **at_usual, beside=beside.notes)
    notes = [(change if has_support else reason("few_visits_near")).columns for has_support in supported]
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
    at least 15 visits of two machines have values within one step of it. A setting whose effect depends on another one
    has its curve at the usual value of that one.

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
