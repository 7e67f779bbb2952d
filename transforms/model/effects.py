"""Effects in percent per practical step, by class of wetness and soil, with intervals and minimum evidence."""

from dataclasses import replace

import numpy as np
import polars as pl
from scipy.stats import false_discovery_control

from transforms.arrays import Array, Mask
from transforms.config.settings_catalogue import Catalogue, Setting
from transforms.contracts.classes import SOIL_CLASSES, WETNESS_CLASSES, soil_class, wetness_class
from transforms.contracts.reason import Reason, reason
from transforms.contracts.result_tables import schema_of
from transforms.mixed_model.contrasts import Contrast, contrasts
from transforms.model.cluster_robust import robust_errors
from transforms.model.factor_terms import MachineSlope
from transforms.model.fit_result import ResponseFit
from transforms.model.hidden_reaction import reaction_within_visits
from transforms.model.lot_contrast import lot_correction
from transforms.model.planned_variation import MIN_ROWS, is_by_lot
from transforms.model.sensor_gain import gain_error
from transforms.model.setting_terms import SettingCurve, SettingEffect, SettingSquare, VisitMean
from transforms.model.visits import visit_means

Cell = tuple[str | None, str | None]
Row = dict[str, object]
MIN_CLASS_SPREAD_STEPS = 0.25
"""Minimum standard deviation of a setting within the visits of a class, in practical steps."""
MIN_MACHINES = 2
"""Minimum number of machines of an effect."""
SUPPORT = (0.05, 0.95)
"""Quantiles of a setting's values that bound its tried range."""


def classes_of(rows: pl.DataFrame) -> pl.DataFrame:
    """Return `wetness_class, soil_class` of rows with `topsoil_wetness, clay_pct`."""
    return rows.select(
        wetness_class(pl.col("topsoil_wetness")).alias("wetness_class"),
        soil_class(pl.col("clay_pct")).alias("soil_class"),
    )


def slope_weights(fit: ResponseFit, setting: str, rows: Mask) -> Array:
    """Return weights over the coefficients, shape (M,), of the mean effect of one step of a setting over `rows`.

    The effect is b_j, plus the mean modifiers times their coefficients, plus the soil classes' deviations, plus the
    mean change of the curve per step up and down from the values of the rows, plus the machines' slopes. Visit means do
    not change: this is the within contrast (Mundlak 1978).

    Args:
        fit: the fit.
        setting: name of a setting in the model.
        rows: mask of the rows to average over, at least one, shape (n,).

    Returns:
        The weights; times the coefficients they give the change of z, on the log scale, per practical step.

    Raises:
        KeyError: the setting is not in the model.
    """
    weights = np.zeros(fit.reml.coef.size)
    for at, term in fit.step_terms(setting):
        weights[at] = float(term.multiplier(fit.multipliers)[rows].mean())
    for curve in fit.frame.curves(setting):
        own, places = fit.coefficients_of(curve)
        weights[places] = _slopes(fit, curve)[rows].mean(axis=0)[own]
    if fit.contains(slope := MachineSlope(setting)):
        span = fit.reml.spans[slope.name]
        weights[span] = np.bincount(fit.levels(slope.name)[rows], minlength=span.stop - span.start) / rows.sum()
    return weights


def _slopes(fit: ResponseFit, curve: SettingCurve | SettingSquare) -> Array:
    """Return the slopes of the columns of a setting's curve at each row, computed once, shape (n, columns)."""
    name = curve.spec.name
    steps = fit.x[:, fit.setting_column(name)]
    return fit.cached(f"slopes of {name} as {type(curve).__name__}", lambda: np.asarray(curve.slopes(steps)))


def untried_reason(fit: ResponseFit, setting: str, rows: Mask, min_loads: int) -> Reason | None:
    """Return the reason why a setting was not tried enough among `rows` for an estimate; None if it was.

    Args:
        fit: the fit.
        setting: name of a candidate setting.
        rows: mask of the rows considered, shape (n,); those without a value of the setting do not count.
        min_loads: minimum number of rows with a value.
    """
    j = fit.setting_column(setting)
    own_rows = rows & fit.observed[:, j]
    if own_rows.sum() < min_loads:
        return reason("effect_few_loads", measured=int(own_rows.sum()), needed=min_loads)
    if not fit.contains(SettingEffect(setting)):
        return reason("effect_hardly_moved")
    if np.unique(fit.machines[own_rows]).size < MIN_MACHINES:
        return reason("effect_one_machine")
    _, visit = np.unique(fit.visits[own_rows], return_inverse=True)
    inside = fit.x[own_rows, j] - visit_means(fit.x[own_rows, j][:, None], visit)[:, 0]
    # A trial moves few loads of a class, but those by lot: they are evidence enough.
    is_by_plan = int((is_by_lot(fit.rows, setting) & own_rows).sum()) >= MIN_ROWS
    if float(inside.std(ddof=1)) < MIN_CLASS_SPREAD_STEPS and not is_by_plan:
        return reason("effect_hardly_moved")
    return None


def percent(log_change: float) -> float:
    """Return a log change in percent.

    >>> round(percent(0.0953), 1)
    10.0
    """
    return 100 * float(np.expm1(log_change))


def between_contrast(fit: ResponseFit, setting: str) -> tuple[float, float] | None:
    """Return the between contrast of a setting: the slope of z over its visit means.

    Args:
        fit: the fit.
        setting: name of the setting.

    Returns:
        (slope, its standard error), both on the log scale per practical step; None if it is not in the model.
    """
    term = VisitMean(setting)
    if not fit.contains(term):
        return None
    at = fit.index_of(term)
    return float(fit.reml.coef[at]), float(np.sqrt(fit.reml.cov_core[at, at]))


def _head(fit: ResponseFit, setting: Setting, cell: Cell, own_rows: Mask) -> Row:
    """Return the columns of a cell that do not depend on its estimate."""
    values = fit.rows[setting.name].filter(pl.Series(own_rows)).drop_nulls()
    other = between_contrast(fit, setting.name)
    return {
        "response": fit.response,
        "setting": setting.name,
        "wetness_class": cell[0],
        "soil_class": cell[1],
        "step": setting.step,
        "unit": setting.unit,
        "n": int(own_rows.sum()),
        "tried_lo": values.quantile(SUPPORT[0]),
        "tried_hi": values.quantile(SUPPORT[1]),
        "between_pct": percent(other[0]) if other else None,
    }


def _estimated(fit: ResponseFit, setting: str, found: Contrast, *, is_corrected: bool) -> Row:
    """Return the columns of a cell with an estimate, with an allowance for reaction unless it is corrected for it."""
    other, (low, high), p_value = between_contrast(fit, setting), found.interval(), found.p_value
    reaction = reaction_within_visits(fit)
    if reaction is not None and reaction.allowance(setting) != 0 and not is_corrected:
        # The interval holds for every reaction from none to the largest (Conley, Hansen and Rossi 2012).
        bias = reaction.allowance(setting)
        low, high = low - max(bias, 0.0), high - min(bias, 0.0)
        unbiased = replace(found, estimate=found.estimate - bias)
        p_value = max(p_value, unbiased.p_value) if found.estimate * unbiased.estimate > 0 else 1.0
    significant = p_value < 0.05
    is_confounded = other and significant and abs(other[0]) > 2 * other[1] and other[0] * found.estimate < 0
    return {
        "change_pct": percent(found.estimate),
        "lo95": percent(low),
        "hi95": percent(high),
        "p_value": p_value,
        "df": min(found.df, 1e9),
        **reason("effect_confounded" if is_confounded else "effect_within_visits").columns,
    }


EFFECT_SCHEMA = schema_of("effect", without=("q_value",))
CELLS = [(w, s) for w in (None, *WETNESS_CLASSES) for s in (None, *SOIL_CLASSES)]


def cell_rows(fit: ResponseFit) -> dict[Cell, Mask]:
    """Return the mask of the rows in each class of wetness and soil; None means all classes."""
    classes = classes_of(fit.rows)
    wet, soil = classes["wetness_class"].to_numpy(), classes["soil_class"].to_numpy()
    every = np.ones(wet.size, dtype=bool)
    return {(w, s): (every if w is None else wet == w) & (every if s is None else soil == s) for w, s in CELLS}


def effects(fit: ResponseFit, catalogue: Catalogue, min_loads: int) -> pl.DataFrame:
    """Return the `effect` rows of a fit: overall, by wetness, by soil, and by both.

    `change_pct` is the percent change of the ratio of dirt or tops to the rest, or of the root loss, for one practical
    step up, all else equal. The interval uses the larger of the model's and the cluster-robust standard error, with the
    error of sensors' gains (`sensor_gain.py`).
    `q_value` is Benjamini and Hochberg's over all rows of the response. A cell without an estimate has the reason.

    Args:
        fit: the fit.
        catalogue: the settings catalogue.
        min_loads: minimum number of loads in a cell.
    """
    rows: list[Row] = []
    estimated: list[tuple[int, Setting, Mask, Array]] = []
    for s in fit.frame.settings:
        for cell, inside in cell_rows(fit).items():
            own_rows = inside & fit.observed[:, fit.setting_column(s.name)]
            untried = untried_reason(fit, s.name, inside, min_loads)
            if untried is None:
                estimated.append((len(rows), s, own_rows, slope_weights(fit, s.name, own_rows)))
            head = _head(fit, catalogue[s.name], cell, own_rows)
            rows.append(head if untried is None else {**head, **untried.columns})
    L = np.array([weights for *_, weights in estimated])
    robust, plain = (robust_errors(fit, L), contrasts(fit.reml, L)) if estimated else (np.empty(0), [])
    lot = lot_correction(fit)
    for (i, s, own_rows, weights), error, plain_found in zip(estimated, robust, plain, strict=True):
        se = float(np.hypot(max(plain_found.se, float(error)), gain_error(fit, s, own_rows, plain_found.estimate)))
        found, is_corrected = replace(plain_found, se=se), lot is not None and s.name in lot.settings
        if lot is not None and is_corrected:
            found = lot.corrected(found, weights)
        rows[i] |= _estimated(fit, s.name, found, is_corrected=is_corrected)
    table = pl.DataFrame(rows, schema=EFFECT_SCHEMA)
    known = table["p_value"].is_not_null().to_numpy()
    q = np.full(table.height, np.nan)
    if known.any():
        q[known] = false_discovery_control(table["p_value"].drop_nulls().to_numpy().clip(1e-300, 1))
    return table.with_columns(pl.Series("q_value", q).fill_nan(None))
