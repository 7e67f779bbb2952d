"""Setting guide: starting values in each class of conditions, their ranges, and the cost of deviating from them.

For a usual machine and field in the middle of a class, settings are moved one after the other to the value with the
smallest expected cost, within the range that the fleet has tried in the class, until none changes. Values whose cost
does not differ clearly from the smallest form the range. If the range covers nearly all values tried, the guide reports
"flat" and keeps the usual value.
"""

import itertools
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.advice.guide_class import DRAWS, GuideBasis, GuideClass, class_moves, guide_class
from transforms.advice.guide_tables import GUIDE_CLASS_SCHEMA, GUIDE_CURVE_SCHEMA, GUIDE_SCHEMA, Guide
from transforms.advice.mean_interval import mean_interval
from transforms.advice.moves import SMALLEST_GAIN_PER_T
from transforms.advice.pair_effects import PairEffect
from transforms.advice.season_worth import WORTH_SCHEMA, guide_worth
from transforms.advice.shrinkage import Shrinkage
from transforms.advice.situations import tried_ranges
from transforms.advice.topping import unweighed_responses
from transforms.config.response_catalogue import DIRT, ROOT_LOSS
from transforms.config.settings_catalogue import Catalogue
from transforms.config.workspace import Prices
from transforms.contracts.classes import SOIL_CLASSES, WETNESS_CLASSES
from transforms.contracts.reason import reason
from transforms.model.effects import classes_of
from transforms.model.fit_result import ResponseFit

Array = NDArray[np.float64]
MAX_SWEEPS = 4
FLAT_SHARE = 0.8
"""If at least this fraction of the values tried does not differ in cost from the best, there is no clear optimum."""


def _nearest(c: GuideClass, name: str) -> int:
    """Return the index of the value of a setting that is nearest to its usual value."""
    return int(np.abs(c.values[name] - c.usual[name]).argmin())


def _best(c: GuideClass, movable: list[str], prices: Prices) -> dict[str, int]:
    """Return the index of the value of each movable setting with the smallest expected cost, by coordinate descent."""
    chosen = {n: _nearest(c, n) for n in movable}
    for _ in range(MAX_SWEEPS):
        before = dict(chosen)
        for n in movable:
            chosen[n] = int(c.cost(chosen, prices, n).mean(axis=0).argmin())
        if chosen == before:
            break
    return chosen


def _saves(c: GuideClass, moved: dict[str, int], prices: Prices) -> bool:
    """Return True if the moves save on average.

    They may not: values are round, and the usual one of a flat setting is not the one beside which they were chosen.
    """
    return bool((c.cost({}, prices) - c.cost(moved, prices)).mean() > 0)


def _alike(c: GuideClass, chosen: dict[str, int], name: str, prices: Prices) -> NDArray[np.bool_]:
    """Return True for values of a setting whose cost is not clearly above that of the chosen one, shape (values,)."""
    cost = c.cost(chosen, prices, name)
    low = np.quantile(cost - cost[:, [chosen[name]]], 0.025, axis=0)
    return np.asarray(low <= SMALLEST_GAIN_PER_T)


def setting_guide(
    fits: dict[str, ResponseFit],
    shrink: dict[str, Shrinkage],
    pairs: dict[str, tuple[PairEffect, ...]],
    catalogue: Catalogue,
    prices: Prices,
    min_loads: int,
    soil_free_t: pl.DataFrame,
    rng: np.random.Generator,
) -> Guide:
    """Return the guide of every generation and class of conditions.

    Args:
        fits: response -> its fit: of dirt, whose rows include `generation`, and of the others that have a price; a
            setting keeps its usual value if it may act on root loss or topping and its effect there is not estimated.
        shrink: shrinkage of effects, by response.
        pairs: pairs of settings whose effects depend on each other, by response.
        catalogue: the settings known.
        prices: prices of soil, roots, sugar, hours and tops, in the season's currency.
        min_loads: smallest number of loads on which a class may rest.
        soil_free_t: `generation, wetness_class, soil_class, soil_free_t` of the season; delivered beet without soil, t.
        rng: random generator.
    """
    dirt = fits[DIRT]
    if "generation" not in dirt.rows.columns:
        schemas = (GUIDE_SCHEMA, GUIDE_CLASS_SCHEMA, GUIDE_CURVE_SCHEMA, WORTH_SCHEMA)
        return Guide(*(pl.DataFrame(schema=s) for s in schemas))
    basis = GuideBasis(fits, shrink, pairs, catalogue, prices.haul_km)
    classes = classes_of(dirt.rows)
    rows, cells, curves, moves = [], [], [], []
    for generation in dirt.rows["generation"].drop_nulls().unique().sort():
        own = dirt.rows["generation"] == generation
        # A load may contain a part from another machine and its settings; a machine has those of most of its loads.
        loads = dirt.rows.filter(own)
        acting = {n for f in fits.values() for n in f.settings if n in loads.columns}
        has = {n for n in acting if loads[n].count() > loads.height / 2}
        for wet, soil in itertools.product(WETNESS_CLASSES, SOIL_CLASSES):
            inside = ((classes["wetness_class"] == wet) & (classes["soil_class"] == soil)).fill_null(value=False)
            head = {"generation": generation, "wetness_class": wet, "soil_class": soil}
            tried = {n: t for n, t in tried_ranges(fits, wet, soil, min_loads).items() if n in has}
            n, own_rows = int(inside.sum()), dirt.rows.filter(inside & own)
            if not tried or not own_rows.height:
                why_not = reason("guide_too_few_loads", fleet=n, generation=own_rows.height)
                cells.append({**head, "n": n, **why_not.columns})
                continue
            c = guide_class(basis, dirt.rows.filter(inside), own_rows, soil, tried, rng)
            result = _class_result(c, head, tried, _unweighed(c, fits, catalogue), catalogue, prices)
            rows += result.settings
            cells.append({**result.summary, "n": n})
            curves += result.curves
            moves.append(class_moves(c, result.chosen, head, fits))
    return Guide(
        pl.DataFrame(rows, schema=GUIDE_SCHEMA),
        pl.DataFrame(cells, schema=GUIDE_CLASS_SCHEMA),
        pl.DataFrame(curves, schema=GUIDE_CURVE_SCHEMA),
        guide_worth(moves, fits, shrink, soil_free_t, prices, DRAWS, rng),
    )


@dataclass(frozen=True)
class _ClassResult:
    """Rows of one class, and the index of the chosen value of each setting that moves."""

    settings: list[dict[str, object]]
    summary: dict[str, object]
    curves: list[dict[str, object]]
    chosen: dict[str, int]


def _unweighed(c: GuideClass, fits: dict[str, ResponseFit], catalogue: Catalogue) -> dict[str, set[str]]:
    """Return, for each setting of a class, the responses by which a move may cost something that is not estimated."""
    estimated = {r: f.settings for r, f in fits.items()}
    return {n: unweighed_responses(catalogue[n], estimated) for n in c.values}


def _class_result(
    c: GuideClass,
    head: dict[str, str],
    tried: dict[str, tuple[float, float, int]],
    unweighed: dict[str, set[str]],
    catalogue: Catalogue,
    prices: Prices,
) -> _ClassResult:
    """Return the result of one class: weighed settings get the best value unless there is no clear optimum."""
    movable = [n for n in c.values if not unweighed[n]]
    chosen = _best(c, movable, prices)
    flat = {n for n in movable if _alike(c, chosen, n, prices).mean() >= FLAT_SHARE}
    if not _saves(c, {n: i for n, i in chosen.items() if n not in flat}, prices):
        flat = set(movable)
    # A setting that stays as usual moves by nothing, not even to the nearest round value that the guide shows.
    moved = {n: i for n, i in chosen.items() if n not in flat}
    chosen |= {n: _nearest(c, n) for n in flat}
    rows, curves = [], []
    for n in c.values:
        low, high, count = tried[n]
        row: dict[str, object] = {
            **head,
            "setting": n,
            "unit": catalogue[n].unit,
            "tried_lo": low,
            "tried_hi": high,
            "usual_value": c.usual[n],
            "n": count,
        }
        if n not in movable:
            is_loss = ROOT_LOSS in unweighed[n]
            why = reason("usual_without_loss_effect" if is_loss else "usual_without_topping_effect")
            rows.append({**row, "start_value": c.usual[n], "range_lo": None, "range_hi": None, **why.columns})
            continue
        alike = c.values[n][_alike(c, chosen, n, prices)]
        why = reason("no_clear_optimum" if n in flat else "best_of_tried")
        value = float(c.values[n][chosen[n]])
        rows.append(
            {
                **row,
                "start_value": value,
                "range_lo": float(alike.min()),
                "range_hi": float(alike.max()),
                **why.columns,
            }
        )
        curves += _curve(c, chosen, n, head, prices)
    return _ClassResult(rows, {**head, **_expected(c, moved, prices)}, curves, moved)


def _curve(
    c: GuideClass, chosen: dict[str, int], name: str, head: dict[str, str], prices: Prices
) -> list[dict[str, object]]:
    """Return the change of cost at each value of a setting from the chosen settings, with 95 % intervals."""
    change = c.cost(chosen, prices, name) - c.cost(chosen, prices)
    lows, highs = np.quantile(change, (0.025, 0.975), axis=0)
    return [
        {
            **head,
            "setting": name,
            "value": float(v),
            "cost_change_per_t": float(m),
            "lo95": float(lo),
            "hi95": float(hi),
        }
        for v, m, lo, hi in zip(c.values[name], change.mean(axis=0), lows, highs, strict=True)
    ]


def _expected(c: GuideClass, chosen: dict[str, int], prices: Prices) -> dict[str, object]:
    """Return expected dirt, root loss, cost and saving with the chosen settings."""
    ratio, lost = np.exp(c.z_dirt + c.change(DIRT, chosen)[:, 0]), c.root_loss(chosen)[:, 0]
    best, usual = c.cost(chosen, prices)[:, 0], c.cost({}, prices)[:, 0]
    out: dict[str, object] = {**reason("visits_within_intervals").columns}
    for names, draws in (
        (("dirt_pct", "dirt_lo95", "dirt_hi95"), 100 * ratio / (1 + ratio)),
        (("root_loss_t_ha", "root_loss_lo95", "root_loss_hi95"), lost),
        (("cost_per_t", "cost_lo95", "cost_hi95"), best),
        (("saved_per_t", "saved_lo95", "saved_hi95"), usual - best),
    ):
        out |= dict(zip(names, mean_interval(draws), strict=True))
    return out
