"""Effects in percent per practical step, by class of wetness and soil, with intervals and honesty rules."""

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.stats import false_discovery_control

from transforms.catalogue import Catalogue
from transforms.conditions.field_hours import soil_class, wetness_class
from transforms.model.fit import ResponseFit

Array = NDArray[np.float64]
MIN_CLASS_SPREAD_STEPS = 0.25
"""Within visits of a class a setting must have moved at least this many practical steps (standard deviation)."""
MIN_MACHINES = 2
SUPPORT = (0.05, 0.95)


def classes_of(rows: pl.DataFrame) -> pl.DataFrame:
    """Return `wetness_class, soil_class` of rows with `topsoil_wetness, clay_pct`."""
    return rows.select(
        wetness_class(pl.col("topsoil_wetness")).alias("wetness_class"),
        soil_class(pl.col("clay_pct")).alias("soil_class"),
    )


def slope_weights(fit: ResponseFit, setting: str, rows: NDArray[np.bool_]) -> Array:
    """Return core weights whose product with the core is the mean effect of one step of a setting over `rows`.

    b_j + mean of the modifiers over the rows times the shrunk deviations of j. Visit means stay where they are:
    this is the within contrast.
    """
    weights = np.zeros(fit.reml.core.size)
    design, j = fit.design, fit.design.settings.index(setting)
    weights[design.names.index(setting)] = 1.0
    for label, value in design.modifiers.items():
        weights[fit.reml.spans[f"settings by {label}"].start + j] = float(value[rows].mean())
    return weights


def _between(fit: ResponseFit, setting: str) -> tuple[float, float] | None:
    """The between contrast b_j + visit-mean coefficient, and its standard error."""
    names = fit.design.names
    if f"visit mean {setting}" not in names or setting not in names:
        return None
    weights = np.zeros(fit.reml.core.size)
    weights[[names.index(setting), names.index(f"visit mean {setting}")]] = 1.0
    found = fit.reml.contrast(weights)
    return found.estimate, found.se


def tried(fit: ResponseFit, setting: str, rows: NDArray[np.bool_], min_loads: int) -> tuple[bool, str]:
    """Whether a setting was tried among these rows, and if not, why in words."""
    j = fit.design.settings.index(setting)
    mine = rows & fit.design.has[:, j]
    if mine.sum() < min_loads:
        return False, f"not tried: {int(mine.sum())} measured, at least {min_loads} are needed"
    table = fit.design.rows.filter(pl.Series(mine))
    if table["machine_id"].n_unique() < MIN_MACHINES:
        return False, "not tried: one machine only"
    x = pl.Series("x", fit.design.steps[mine, j])
    inside = table.select("visit").with_columns(x).select(pl.col("x") - pl.col("x").mean().over("visit")).to_series()
    if float(inside.std() or 0) < MIN_CLASS_SPREAD_STEPS:  # type: ignore[arg-type]
        return False, "not tried: it hardly moved within a visit"
    return True, ""


def _percent(log_change: float) -> float:
    return 100 * float(np.expm1(log_change))


def _row(
    fit: ResponseFit,
    catalogue: Catalogue,
    setting: str,
    cell: tuple[str | None, str | None],
    rows: NDArray[np.bool_],
    min_loads: int,
) -> dict[str, object]:
    j = fit.design.settings.index(setting)
    mine = rows & fit.design.has[:, j]
    values = fit.design.rows.filter(pl.Series(mine))[setting].drop_nulls()
    row: dict[str, object] = {
        "response": fit.response, "setting": setting, "wetness_class": cell[0], "soil_class": cell[1],
        "step": catalogue[setting].step, "unit": catalogue[setting].unit, "n": int(mine.sum()),
        "tried_lo": values.quantile(SUPPORT[0]), "tried_hi": values.quantile(SUPPORT[1]),
    }  # fmt: skip
    was_tried, why = tried(fit, setting, rows, min_loads)
    between = _between(fit, setting)
    row["between_pct"] = _percent(between[0]) if between else None
    if not was_tried or setting not in fit.design.names:
        return {**row, "says": why or "not tried: it cannot be told apart from another setting"}
    found = fit.reml.contrast(slope_weights(fit, setting, mine))
    low, high = found.interval()
    says = "measured association within visits"
    if between and found.p_value < 0.05 and abs(between[0]) > 2 * between[1] and between[0] * found.estimate < 0:
        says = "confounded: between visits the sign is the other way; the within contrast is shown"
    return {
        **row,
        "change_pct": _percent(found.estimate),
        "lo95": _percent(low),
        "hi95": _percent(high),
        "p_value": found.p_value,
        "says": says,
    }


EFFECT_SCHEMA = {
    "response": pl.String,
    "setting": pl.String,
    "wetness_class": pl.String,
    "soil_class": pl.String,
    "step": pl.Float64,
    "unit": pl.String,
    "change_pct": pl.Float64,
    "lo95": pl.Float64,
    "hi95": pl.Float64,
    "p_value": pl.Float64,
    "n": pl.Int64,
    "tried_lo": pl.Float64,
    "tried_hi": pl.Float64,
    "between_pct": pl.Float64,
    "says": pl.String,
}


def effects(fit: ResponseFit, catalogue: Catalogue, min_loads: int) -> pl.DataFrame:
    """Return the `effect` rows of a fit: overall, by wetness, by soil, and by both.

    `change_pct` is the percent change, for one practical step up and all else as it was, of the dirt ratio
    (dirt over clean) or of the root loss. `q_value` is Benjamini and Hochberg's over all rows of the response.
    """
    cells = classes_of(fit.design.rows)
    wet, soil = cells["wetness_class"].to_numpy(), cells["soil_class"].to_numpy()
    rows = []
    for setting in fit.design.settings:
        for w in (None, "dry", "moist", "wet"):
            for s in (None, "light", "medium", "heavy"):
                inside = (np.ones(wet.size, dtype=bool) if w is None else wet == w) & (True if s is None else soil == s)
                rows.append(_row(fit, catalogue, setting, (w, s), np.asarray(inside), min_loads))
    table = pl.DataFrame(rows, schema=EFFECT_SCHEMA)
    known = table["p_value"].is_not_null().to_numpy()
    q = np.full(table.height, np.nan)
    if known.any():
        q[known] = false_discovery_control(table["p_value"].drop_nulls().to_numpy().clip(1e-300, 1))
    return table.with_columns(pl.Series("q_value", q).fill_nan(None))
