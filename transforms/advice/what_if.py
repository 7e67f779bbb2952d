"""What if: dirt, root loss and cost expected under any conditions and settings, from a table small enough for a page.

The fits are tabulated once: draws of the conditions' part on a grid of wetness and clay, of one step of each setting on
the same grid, and of each curve at values tried. In between lines are drawn, so that a page needs no server and the
command line gives the very same figures. Nodes of clay stand on either side of the borders of soil classes.
"""

import base64
import json
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.advice.cost import USUAL_TOPS_PCT, CropAndHaul, cost_parts
from transforms.advice.moves import USUAL_SPEED_KMH
from transforms.advice.shrinkage import Shrinkage
from transforms.advice.situations import UNKNOWN_LOSS_T_HA, USUAL_WIDTH_M, tried_range
from transforms.conditions.field_hours import DRY_BELOW, HEAVY_ABOVE, LIGHT_BELOW, WET_FROM
from transforms.config.settings_catalogue import DIRT, ROOT_LOSS, Catalogue
from transforms.config.workspace import Prices
from transforms.errors import WorkspaceError
from transforms.model.condition_terms import CONDITIONS, MODIFYING
from transforms.model.design_matrix import SOILS, middle
from transforms.model.effects import classes_of
from transforms.model.fit import SMALL_LOSS_T_HA, ResponseFit
from transforms.model.prediction import (
    PredictionPoint,
    bend_weights,
    condition_level,
    condition_weights,
    expected_scale,
    level_variance,
    step_weights,
)

Array = NDArray[np.float64]
DRAWS, SEED = 100, 20_251_004
WETNESS = (0.05, 0.15, 0.25, 0.35, 0.5, 0.65, 0.75, 0.85, 0.95)
CLAY = (6.0, LIGHT_BELOW - 0.01, LIGHT_BELOW, HEAVY_ABOVE, HEAVY_ABOVE + 0.01, 50.0)
SIDE_NODES = 7
VALUES = 21
PLAIN_BY = ("temperature", "yield")
"""What multiplies a step besides wetness and clay."""


def class_names(wetness: float, clay_pct: float) -> tuple[str, str]:
    """Return the classes of wetness and soil of a point."""
    wet = "dry" if wetness < DRY_BELOW else "moist" if wetness < WET_FROM else "wet"
    return wet, "light" if clay_pct < LIGHT_BELOW else "medium" if clay_pct <= HEAVY_ABOVE else "heavy"


@dataclass(frozen=True)
class WhatIfQuery:
    """Conditions and settings to look at; a setting that is not given stands at its usual value."""

    topsoil_wetness: float
    clay_pct: float
    air_temp_c: float
    yield_t_ha: float
    settings: dict[str, float]


@dataclass(frozen=True)
class Answer:
    """What is expected: mean and 95 % interval of each, and where nobody has been.

    Attributes:
        dirt_pct: dirt tare.
        root_loss_t_ha: root loss; None where it is not fitted.
        cost_per_t: cost per tonne of clean beet.
        saved_per_t: less cost than with every setting at its usual value.
        parts: mean cost by cause.
        untried: why this is not to be believed; empty where the fleet has been there.
        n: loads of the fleet in such conditions.
    """

    dirt_pct: tuple[float, float, float]
    root_loss_t_ha: tuple[float, float, float] | None
    cost_per_t: tuple[float, float, float]
    saved_per_t: tuple[float, float, float]
    parts: dict[str, float]
    untried: tuple[str, ...]
    n: int


def _packed(draws: Array) -> dict[str, Any]:
    """Draws as whole numbers of a scale, in base 64: a page reads them at once."""
    scale = float(np.abs(draws).max()) / 32_000 or 1.0
    whole = np.round(draws / scale).astype("<i2")
    return {"scale": scale, "shape": list(draws.shape), "data": base64.b64encode(whole.tobytes()).decode("ascii")}


def _unpacked(held: dict[str, Any]) -> Array:
    whole = np.frombuffer(base64.b64decode(held["data"]), dtype="<i2").reshape(held["shape"])
    return np.asarray(whole * held["scale"])


def _tabulated(
    fit: ResponseFit,
    shrink: Shrinkage,
    usual: dict[str, float],
    at: dict[str, float],
    sides: dict[str, list[float]],
    values: dict[str, list[float]],
    catalogue: Catalogue,
) -> dict[str, Any]:
    """Draws of everything that an answer adds up."""
    names = [n for n in fit.settings if n in usual]
    nodes = [{**at, "topsoil_wetness": w, "clay_pct": c} for w in WETNESS for c in CLAY]
    soils = [class_names(0, c)[1] for _ in WETNESS for c in CLAY]
    parts: list[tuple[str, str, list[Array]]] = [("base", "", [condition_weights(fit, node) for node in nodes])]
    for n, grid in sides.items():
        if n in fit.frame.terms.conditions:
            base = condition_weights(fit, at)
            parts.append(("sides", n, [condition_weights(fit, {**at, n: v}) - base for v in grid]))
    for n in names:
        steps = [step_weights(fit, n, PredictionPoint(node, soil, "")) for node, soil in zip(nodes, soils, strict=True)]
        parts += [("step", n, steps), ("by", n, [_one(fit, f"{n} by {by}") for by in PLAIN_BY])]
        if catalogue[n].curve is not None:
            zero = bend_weights(fit, n, usual[n])
            parts.append(("bend", n, [bend_weights(fit, n, v) - zero for v in values[n]]))
    mean, V = shrink.moved(fit, np.array([row for *_, rows in parts for row in rows]))
    rng = np.random.default_rng(SEED)
    # Few draws: about the mean itself, so that only their spread is left to chance.
    about = rng.multivariate_normal(np.zeros_like(mean), V, size=DRAWS, method="eigh")
    about = mean + about - about.mean(axis=0)
    drawn = np.split(about, np.cumsum([len(r) for *_, r in parts])[:-1], axis=1)
    z = expected_scale(fit, PredictionPoint(at, class_names(0, at["clay_pct"])[1], ""), "", usual) - condition_level(
        fit, at
    )
    visit = np.sqrt(level_variance(fit, PredictionPoint(at, "", ""), "")) * rng.standard_normal(DRAWS)
    out: dict[str, Any] = {"z": z, "visit": _packed(visit), "sides": {}, "step": {}, "by": {}, "bend": {}}
    for (kind, n, _), draws in zip(parts, drawn, strict=True):
        if kind == "base":
            out["base"] = _packed(draws)
        else:
            out[kind][n] = _packed(draws)
    return out


def _one(fit: ResponseFit, label: str) -> Array:
    weights = np.zeros(fit.reml.coef.size)
    if label in fit.at:
        weights[fit.at[label]] = 1.0
    return weights


def _tried(dirt: ResponseFit, min_loads: int) -> dict[str, dict[str, Any]]:
    """Class of wetness and soil -> its loads, and what was tried there of each setting."""
    cells, out = classes_of(dirt.rows), {}
    for wet in ("dry", "moist", "wet"):
        for soil in SOILS:
            n = cells.filter((pl.col("wetness_class") == wet) & (pl.col("soil_class") == soil)).height
            ranges = {k: list(v[:2]) for k, v in tried_range(dirt, wet, soil, min_loads).items()}
            out[f"{wet}|{soil}"] = {"n": n, "settings": ranges if n >= min_loads else {}}
    return out


def _spread_out(values: pl.Series, ends: tuple[float, float], size: int) -> list[float]:
    """Values evenly between two quantiles."""
    low, high = (float(values.cast(pl.Float64).quantile(q)) for q in ends)  # type: ignore[arg-type]
    return [float(v) for v in np.linspace(low, high, size)]


def tabulate(
    dirt: ResponseFit,
    loss: ResponseFit | None,
    shrink: dict[str, Shrinkage],
    catalogue: Catalogue,
    prices: Prices,
    min_loads: int,
) -> dict[str, Any]:
    """Return the table that questions are answered from; plain numbers, text and base 64, for JSON."""
    rows = dirt.rows
    fits = {f.response: f for f in (dirt, loss) if f is not None}
    names = [n for n in dirt.settings if rows[n].count() >= min_loads]
    usual = {n: round(float(rows[n].median()) / catalogue[n].step * 2) * catalogue[n].step / 2 for n in names}  # type: ignore[arg-type]
    at = {n: float(rows[n].cast(pl.Float64).median()) for n in dirt.frame.terms.conditions}  # type: ignore[arg-type]
    sides = {
        n: _spread_out(rows[n], (0.02, 0.98), SIDE_NODES)
        for n in MODIFYING.values()
        if n in at and n not in {"topsoil_wetness", "clay_pct"}
    }
    values = {n: _spread_out(rows[n], (0.01, 0.99), VALUES) for n in names}
    sugar = rows["sugar_pct"].mean() if "sugar_pct" in rows.columns else None
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
        "settings": {
            n: {
                "label": catalogue[n].label,
                "unit": catalogue[n].unit,
                "step": catalogue[n].step,
                "middle": middle(catalogue[n]),
                "range": [values[n][0], values[n][-1]],
            }
            for n in names
        },
        "tried": _tried(dirt, min_loads),
        "prices": asdict(prices),
        "crop": {"haul_km": prices.haul_km, "width_m": USUAL_WIDTH_M, "sugar_pct": sugar, "tops_pct": USUAL_TOPS_PCT},
        "responses": {r: _tabulated(f, shrink[r], usual, at, sides, values, catalogue) for r, f in fits.items()},
    }


def _corners(table: dict[str, Any], q: WhatIfQuery) -> list[tuple[int, float]]:
    """Nodes around a point of wetness and clay, with their weights; beyond the grid its edge counts."""
    sides = []
    for grid, value in ((table["wetness"], q.topsoil_wetness), (table["clay"], q.clay_pct)):
        i, t = _position(grid, value)
        sides.append(((i, 1 - t), (i + 1, t)))
    width = len(table["clay"])
    return [(i * width + j, a * b) for i, a in sides[0] for j, b in sides[1] if a * b > 0]


def _position(grid: list[float], value: float) -> tuple[int, float]:
    """Return the node at or below a value and the share of the way to the next; 0 if the grid has no width there."""
    v = float(np.clip(value, grid[0], grid[-1]))
    i = int(np.clip(np.searchsorted(grid, v, side="right") - 1, 0, len(grid) - 2))
    width = grid[i + 1] - grid[i]
    return i, (v - grid[i]) / width if width > 0 else 0.0


def _between(grid: list[float], draws: Array, value: float) -> Array:
    i, t = _position(grid, value)
    return np.asarray((1 - t) * draws[:, i] + t * draws[:, i + 1])


def _z(table: dict[str, Any], response: str, q: WhatIfQuery, settings: dict[str, float]) -> Array:
    """Draws of z, shape (draws,)."""
    held, corners = table["responses"][response], _corners(table, q)
    z = held["z"] + _unpacked(held["visit"]) + sum(w * _unpacked(held["base"])[:, i] for i, w in corners)
    given = {"air_temp_c": q.air_temp_c, "yield_t_ha": q.yield_t_ha}
    for n, draws in held["sides"].items():
        z = z + _between(table["sides"][n], _unpacked(draws), given[n])
    plain = [
        (np.clip(given[n], low, high) - np.clip(table["at"][n], low, high)) / scale
        for n, (scale, low, high) in table["plain_by"].items()
    ]
    for n, draws in held["step"].items():
        s, usual = table["settings"][n], table["usual"][n]
        value = settings.get(n, usual)
        slope = sum(w * _unpacked(draws)[:, i] for i, w in corners) + _unpacked(held["by"][n]) @ np.array(plain)
        z = z + (value - usual) / s["step"] * slope
        if n in held["bend"]:
            z = z + _between(table["values"][n], _unpacked(held["bend"][n]), value)
    return np.asarray(z)


def _untried(table: dict[str, Any], q: WhatIfQuery) -> tuple[tuple[str, ...], int]:
    wet, soil = class_names(q.topsoil_wetness, q.clay_pct)
    cell = table["tried"][f"{wet}|{soil}"]
    if not cell["settings"]:
        return (f"nobody has been here: {cell['n']} loads on {soil} soil with {wet} topsoil",), cell["n"]
    out = []
    for n, value in q.settings.items():
        low, high = cell["settings"].get(n, (np.inf, -np.inf))
        label = table["settings"][n]["label"]
        if low > high:
            out.append(f"{label} was not tried on {soil} soil with {wet} topsoil")
        elif not low - 1e-9 <= value <= high + 1e-9:
            out.append(f"{label} was tried from {low:.3g} to {high:.3g} there")
    return tuple(out), cell["n"]


def _told(draws: Array) -> tuple[float, float, float]:
    low, high = np.quantile(draws, (0.025, 0.975))
    return float(draws.mean()), float(low), float(high)


def answer(table: dict[str, Any], q: WhatIfQuery) -> Answer:
    """Return what is expected.

    Raises:
        WorkspaceError: a setting is not known to the fit.
    """
    unknown = [n for n in q.settings if n not in table["settings"]]
    if unknown:
        raise WorkspaceError(
            f"'{unknown[0]}' is not in the fit", where="--set", remedy=f"use one of {', '.join(table['settings'])}"
        )
    prices, crop = Prices(**table["prices"]), CropAndHaul(q.yield_t_ha, **table["crop"])
    usual_kmh = table["usual"].get("ground_speed_kmh", USUAL_SPEED_KMH)
    costs, ratio, lost = [], np.zeros(0), None
    for settings in ({}, q.settings):
        ratio = np.exp(_z(table, DIRT, q, settings))
        lost = None
        if ROOT_LOSS in table["responses"]:
            lost = np.maximum(np.exp(_z(table, ROOT_LOSS, q, settings)) - table["small_loss"], 0.0)
        speed = settings.get("ground_speed_kmh", usual_kmh)
        costs.append(cost_parts(ratio, UNKNOWN_LOSS_T_HA if lost is None else lost, speed, usual_kmh, crop, prices))
    untried, n = _untried(table, q)
    after = costs[1]
    return Answer(
        _told(100 * ratio / (1 + ratio)),
        None if lost is None else _told(lost),
        _told(after.total),
        _told(costs[0].total - after.total),
        {k: float(np.mean(getattr(after, k))) for k in ("soil", "roots", "pile", "hours")},
        untried,
        n,
    )


def write_table(table: dict[str, Any], path: Path) -> None:
    """Keep the table."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps(table), "utf-8")


def read_table(path: Path) -> dict[str, Any]:
    """Return a table that is kept.

    Raises:
        WorkspaceError: there is none.
    """
    try:
        held: dict[str, Any] = json.loads(path.read_text("utf-8"))
    except (OSError, ValueError) as problem:
        raise WorkspaceError(
            "there is nothing to ask yet", where=str(path), remedy="run 'taretrace post-shift' on the workspace first"
        ) from problem
    return held
