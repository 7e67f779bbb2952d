"""Table of draws from which what-if questions are answered, small enough for a page.

The fits are tabulated once: draws of the conditions' part on a grid of wetness and clay, of one step of each setting on
the same grid, and of each curve at tried values. Values in between are interpolated linearly, so that a page needs no
server and the command line gives identical figures. Nodes of clay lie on both sides of each border of soil classes.
"""

import base64
import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.advice.cost import USUAL_TOPS_PCT
from transforms.advice.pair_effects import PairEffect
from transforms.advice.shrinkage import Shrinkage
from transforms.advice.situations import USUAL_WIDTH_M, tried_ranges
from transforms.arrays import to_float
from transforms.config.response_catalogue import DIRT
from transforms.config.settings_catalogue import Catalogue, Setting
from transforms.config.workspace import Prices
from transforms.contracts.classes import (
    DRY_BELOW,
    HEAVY_ABOVE,
    LIGHT_BELOW,
    SOIL_CLASSES,
    WET_FROM,
    WETNESS_CLASSES,
    classes_at,
)
from transforms.errors import WorkspaceError
from transforms.model.condition_terms import CONDITIONS
from transforms.model.effects import classes_of
from transforms.model.fit_result import ResponseFit
from transforms.model.modifiers import MODIFYING, Modifier
from transforms.model.prediction import (
    PredictionPoint,
    bend_weights,
    condition_level,
    condition_weights,
    expected_scale,
    level_variance,
    step_weights,
)
from transforms.model.response_scale import SMALL_LOSS_T_HA
from transforms.model.setting_terms import SettingBy, setting_origin
from transforms.model.term import SingleTerm

Array = NDArray[np.float64]
DRAWS, SEED = 100, 20_251_004
WETNESS = (0.05, 0.15, 0.25, DRY_BELOW, 0.5, WET_FROM, 0.75, 0.85, 0.95)
CLAY = (6.0, LIGHT_BELOW - 0.01, LIGHT_BELOW, HEAVY_ABOVE, HEAVY_ABOVE + 0.01, 50.0)
SIDE_NODES = 7
VALUES = 21
PLAIN_BY = ("temperature", "yield")
"""Modifiers besides those by wetness and clay whose conditions a question states; root mass is the season's median."""


def pack_draws(draws: Array) -> dict[str, Any]:
    """Return draws as 16-bit integers times a scale, in base 64, which a page decodes in one call."""
    scale = float(np.abs(draws).max()) / 32_000 or 1.0
    whole = np.round(draws / scale).astype("<i2")
    return {"scale": scale, "shape": list(draws.shape), "data": base64.b64encode(whole.tobytes()).decode("ascii")}


def unpack_draws(packed: dict[str, Any]) -> Array:
    """Return the draws of a packed array, shape (draws, values)."""
    whole = np.frombuffer(base64.b64decode(packed["data"]), dtype="<i2").reshape(packed["shape"])
    return np.asarray(whole * packed["scale"])


def _tabulated(
    fit: ResponseFit,
    shrink: Shrinkage,
    usual: dict[str, float],
    at: dict[str, float],
    sides: dict[str, list[float]],
    values: dict[str, list[float]],
) -> dict[str, Any]:
    """Return draws of all terms of an answer for one response."""
    names = [n for n in fit.settings if n in usual]
    nodes = [{**at, "topsoil_wetness": w, "clay_pct": c} for w in WETNESS for c in CLAY]
    soils = [classes_at(0, c)[1] for _ in WETNESS for c in CLAY]
    parts: list[tuple[str, str, list[Array]]] = [("base", "", [condition_weights(fit, node) for node in nodes])]
    for n, grid in sides.items():
        if n in fit.frame.terms.conditions:
            base = condition_weights(fit, at)
            parts.append(("sides", n, [condition_weights(fit, {**at, n: v}) - base for v in grid]))
    for n in names:
        steps = [step_weights(fit, n, PredictionPoint(node, soil, "")) for node, soil in zip(nodes, soils, strict=True)]
        parts += [
            ("step", n, steps),
            ("by", n, [_coefficient_weights(fit, SettingBy(n, Modifier(by))) for by in PLAIN_BY]),
        ]
        if fit.frame.curves(n):
            zero = bend_weights(fit, n, usual[n])
            parts.append(("bend", n, [bend_weights(fit, n, v) - zero for v in values[n]]))
    L, rng = np.array([row for *_, rows in parts for row in rows]), np.random.default_rng(SEED)
    # The few draws are centred on the mean, so that only their spread is random.
    draws_of_all = shrink.draw_contrasts(fit, L, DRAWS, rng)
    draws_of_all = shrink.contrast_mean(fit, L) + draws_of_all - draws_of_all.mean(axis=0)
    draws_by_part = np.split(draws_of_all, np.cumsum([len(r) for *_, r in parts])[:-1], axis=1)
    z = expected_scale(fit, PredictionPoint(at, classes_at(0, at["clay_pct"])[1], ""), "", usual) - condition_level(
        fit, at
    )
    visit = np.sqrt(level_variance(fit, PredictionPoint(at, "", ""), "")) * rng.standard_normal(DRAWS)
    out: dict[str, Any] = {"z": z, "visit": pack_draws(visit), "sides": {}, "step": {}, "by": {}, "bend": {}}
    for (kind, n, _), draws in zip(parts, draws_by_part, strict=True):
        if kind == "base":
            out["base"] = pack_draws(draws)
        else:
            out[kind][n] = pack_draws(draws)
    return out


def _pairs(pairs: tuple[PairEffect, ...], usual: dict[str, float]) -> list[dict[str, Any]]:
    """Return the pairs whose settings are both tabulated, with draws centred on their mean."""
    out = []
    for pair in pairs:
        if all(n in usual for n in pair.settings):
            draws = pair.draws[:DRAWS] - pair.draws[:DRAWS].mean() + pair.draws.mean()
            about = {"settings": list(pair.settings), "middle": list(pair.middle), "step": list(pair.step)}
            out.append({**about, "draws": pack_draws(draws[:, None])})
    return out


def _coefficient_weights(fit: ResponseFit, term: SingleTerm) -> Array:
    """Return the contrast that selects the coefficient of a term, shape (p,); zero if it is not in the model."""
    weights = np.zeros(fit.reml.coef.size)
    if fit.contains(term):
        weights[fit.index_of(term)] = 1.0
    return weights


def _tried(fits: dict[str, ResponseFit], min_loads: int) -> dict[str, dict[str, Any]]:
    """Return, by class of wetness and soil, its number of loads and the range tried of each setting."""
    cells, out = classes_of(fits[DIRT].rows), {}
    for wet in WETNESS_CLASSES:
        for soil in SOIL_CLASSES:
            n = cells.filter((pl.col("wetness_class") == wet) & (pl.col("soil_class") == soil)).height
            ranges = {k: list(v[:2]) for k, v in tried_ranges(fits, wet, soil, min_loads).items()}
            out[f"{wet}|{soil}"] = {"n": n, "settings": ranges if n >= min_loads else {}}
    return out


def _even_values(values: pl.Series, ends: tuple[float, float], size: int) -> list[float]:
    """Return evenly spaced values between two quantiles."""
    low, high = (to_float(values.cast(pl.Float64).quantile(q)) for q in ends)
    return [float(v) for v in np.linspace(low, high, size)]


def _usual(values: pl.Series, setting: Setting) -> float:
    """Return the median to the half step; of a flag, the state it is in for most of the time."""
    median = to_float(values.median())
    if setting.is_flag:
        return setting.high if median > (setting.low + setting.high) / 2 else setting.low
    return round(median / setting.step * 2) * setting.step / 2


def _positions(values: pl.Series, setting: Setting) -> list[float]:
    """Return the values at which a setting is tabulated: evenly over those tried, of a flag its two states."""
    return [setting.low, setting.high] if setting.is_flag else _even_values(values, (0.01, 0.99), VALUES)


def _sliders(names: list[str], values: dict[str, list[float]], catalogue: Catalogue) -> dict[str, dict[str, Any]]:
    """Return what the control of each setting needs: label, unit, step, origin and range."""
    return {
        n: {
            "label": catalogue[n].label,
            "unit": catalogue[n].unit,
            "step": catalogue[n].step,
            "middle": setting_origin(catalogue[n]),
            "range": [values[n][0], values[n][-1]],
        }
        for n in names
    }


def _mean_sugar(rows: pl.DataFrame) -> float | None:
    sugar = rows["sugar_pct"].mean() if "sugar_pct" in rows.columns else None
    return None if sugar is None else to_float(sugar)


def tabulate(
    fits: dict[str, ResponseFit],
    shrink: dict[str, Shrinkage],
    pairs: dict[str, tuple[PairEffect, ...]],
    catalogue: Catalogue,
    prices: Prices,
    min_loads: int,
) -> dict[str, Any]:
    """Return the table from which what-if questions are answered: numbers, text and base 64, for JSON.

    Args:
        fits: response -> its fit: of dirt, and of the others that have a price if they are fitted.
        shrink: shrinkage of effects, by response.
        pairs: pairs of settings whose effects depend on each other, by response.
        catalogue: the settings known.
        prices: prices of soil, roots, sugar, hours and tops, in the season's currency.
        min_loads: smallest number of loads of a setting or class that is tabulated.
    """
    dirt = fits[DIRT]
    rows = dirt.rows
    acting = dict.fromkeys(n for f in (dirt, *fits.values()) for n in f.settings if n in rows.columns)
    names = [n for n in acting if rows[n].count() >= min_loads]
    usual = {n: _usual(rows[n], catalogue[n]) for n in names}
    conditions = dict.fromkeys(n for f in fits.values() for n in f.frame.terms.conditions)
    at = {n: to_float(rows[n].cast(pl.Float64).median()) for n in conditions}
    sides = {n: _even_values(rows[n], (0.02, 0.98), SIDE_NODES) for n in (MODIFYING[by] for by in PLAIN_BY) if n in at}
    values = {n: _positions(rows[n], catalogue[n]) for n in names}
    return {
        "wetness": list(WETNESS),
        "clay": list(CLAY),
        "at": at,
        "sides": sides,
        "usual": usual,
        "values": values,
        "borders": [DRY_BELOW, WET_FROM, LIGHT_BELOW, HEAVY_ABOVE],
        "small_loss": SMALL_LOSS_T_HA,
        "plain_by": {
            MODIFYING[by]: [c.scale, c.curve.low, c.curve.high] for by in PLAIN_BY for c in (CONDITIONS[MODIFYING[by]],)
        },
        "settings": _sliders(names, values, catalogue),
        "tried": _tried(fits, min_loads),
        "prices": asdict(prices),
        "crop": {
            "haul_km": prices.haul_km,
            "width_m": USUAL_WIDTH_M,
            "sugar_pct": _mean_sugar(rows),
            "tops_pct": USUAL_TOPS_PCT,
        },
        "responses": {
            r: {**_tabulated(f, shrink[r], usual, at, sides, values), "pairs": _pairs(pairs[r], usual)}
            for r, f in fits.items()
        },
    }


def write_table(table: dict[str, Any], path: Path) -> None:
    """Write the table as JSON, and create the folder if it does not exist; a reader sees the old table or the new one.

    Args:
        table: result of `tabulate`.
        path: file to write; an existing one is replaced.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    partial = path.with_name(f".{path.name}.partial")
    partial.write_text(json.dumps(table), "utf-8")
    partial.replace(path)


def read_table(path: Path) -> dict[str, Any]:
    """Return a stored table.

    Raises:
        WorkspaceError: there is no readable table.
    """
    try:
        table: dict[str, Any] = json.loads(path.read_text("utf-8"))
    except (OSError, ValueError) as problem:
        raise WorkspaceError(
            "there is no what-if table yet", where=str(path), remedy="run 'taretrace post-shift' on the workspace first"
        ) from problem
    return table
