"""Savings with the guide's settings on the season's tonnage.

The saving of class c is E_z[cost(z_c) - cost(z_c + d_c)] t_c, with z_c the level of a visit with usual settings, d_c
the effect of the guide's moves, and t_c the clean tonnes lifted. Moves of all classes share the fit's coefficients: d
is drawn jointly for all classes, so that the interval of the total accounts for their correlation.
"""

from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.advice.cost import CropAndHaul, Topping, cost_per_t
from transforms.advice.mean_interval import mean_interval
from transforms.advice.pair_effects import PairEffect
from transforms.advice.shrinkage import Shrinkage
from transforms.advice.topping import topping_from_scale
from transforms.config.response_catalogue import DAMAGED, DIRT, ROOT_LOSS
from transforms.config.workspace import Prices
from transforms.contracts.result_tables import schema_of
from transforms.model.fit_result import ResponseFit
from transforms.model.response_scale import SMALL_LOSS_T_HA, value_from_scale

Array = NDArray[np.float64]
LEVELS = 100
"""Number of draws of a class's level over which a saving is averaged."""
WORTH_SCHEMA = schema_of("guide_worth")


@dataclass(frozen=True)
class ClassMoves:
    """One class of the guide: its level with usual settings and the effect of its moves.

    Attributes:
        head: generation, wetness_class, soil_class.
        z_dirt: draws of the log dirt ratio, shape (draws,).
        root_loss_t_ha: draws of the root loss, shape (draws,).
        topping: response of topping -> draws of its level on the fitted scale, shape (draws,).
        weights: response -> weights whose product with the coefficients is the log change, shape (p,).
        products: response -> pairs of settings, each with the change of its product.
        speeds: usual ground speed and that of the guide, km/h.
        at: crop and haul.
        z_damaged: draws of the log odds of damaged skin, shape (draws,); None if it is not fitted.
    """

    head: dict[str, str]
    z_dirt: Array
    root_loss_t_ha: Array
    topping: dict[str, Array]
    weights: dict[str, Array]
    products: dict[str, list[tuple[PairEffect, float]]]
    speeds: tuple[float, float]
    at: CropAndHaul
    z_damaged: Array | None = None


def _crops(m: ClassMoves, changes: dict[str, Array]) -> tuple[CropAndHaul, CropAndHaul]:
    """Return crop and haul with usual settings and with the moves, with the damage that each does."""
    if m.z_damaged is None:
        return m.at, m.at
    z = m.z_damaged[:LEVELS, None]
    usual, moved = (value_from_scale(DAMAGED, z + c) for c in (np.zeros(1), changes[DAMAGED]))
    return replace(m.at, skin_damaged_pct=usual), replace(m.at, skin_damaged_pct=moved)


def _saving(m: ClassMoves, changes: dict[str, Array], prices: Prices) -> Array:
    """Return draws of the saving per clean tonne, each averaged over visits of the class, shape (draws,).

    Args:
        m: the class.
        changes: response -> draws of its change by the moves on the fitted scale, shape (draws,).
        prices: prices of soil, roots, sugar, hours and tops, in the season's currency.
    """
    z, lost = m.z_dirt[:LEVELS, None], m.root_loss_t_ha[:LEVELS, None]
    shifted = (lost + SMALL_LOSS_T_HA) * np.exp(changes.get(ROOT_LOSS, np.zeros(1)))
    left = np.maximum(shifted - SMALL_LOSS_T_HA, 0.0)
    tops = {r: level[:LEVELS, None] for r, level in m.topping.items()}
    tops_moved = {r: level + changes[r] for r, level in tops.items()}
    at, at_moved = _crops(m, changes)

    def _topping(levels: dict[str, Array]) -> Topping | None:
        return topping_from_scale(levels, prices.stalks_tops_pct)

    usual = cost_per_t(np.exp(z), lost, m.speeds[0], m.speeds[0], at, prices, _topping(tops))
    ratio = np.exp(z + changes[DIRT])
    moved = cost_per_t(ratio, left, m.speeds[1], m.speeds[0], at_moved, prices, _topping(tops_moved))
    return np.asarray((usual - moved).mean(axis=0))


def guide_worth(
    moves: list[ClassMoves],
    fits: dict[str, ResponseFit],
    shrinkage: dict[str, Shrinkage],
    soil_free_t: pl.DataFrame,
    prices: Prices,
    draws: int,
    rng: np.random.Generator,
) -> pl.DataFrame:
    """Return `guide_worth`: one row per class and one for the total; no rows if there are no classes.

    Args:
        moves: the guide's classes.
        fits: response -> its fit, as in `GuideBasis`.
        shrinkage: shrinkage of effects by response.
        soil_free_t: `generation, wetness_class, soil_class, soil_free_t` of the season; delivered beet without soil, t.
        prices: prices of soil, roots, sugar, hours and tops, in the season's currency.
        draws: number of draws.
        rng: random generator.
    """
    if not moves:
        return pl.DataFrame(schema=WORTH_SCHEMA)
    changes = {
        r: shrinkage[r].draw_contrasts(f, np.array([m.weights[r] for m in moves]), draws, rng)
        + np.column_stack([sum((p.draws[:draws] * x for p, x in m.products[r]), np.zeros(draws)) for m in moves])
        for r, f in fits.items()
    }
    lifted = {(g, w, s): t for g, w, s, t in soil_free_t.iter_rows()}
    rows, total, tonnes = [], np.zeros(draws), 0.0
    for i, m in enumerate(moves):
        t = lifted.get((m.head["generation"], m.head["wetness_class"], m.head["soil_class"]), 0.0)
        saved = _saving(m, {r: draws_of_all[:, i] for r, draws_of_all in changes.items()}, prices) * t
        rows.append({**m.head, "soil_free_t": t, **_saved(saved)})
        total, tonnes = total + saved, tonnes + t
    rows.append({"soil_free_t": tonnes, **_saved(total)})
    return pl.DataFrame(rows, schema=WORTH_SCHEMA)


def _saved(draws: Array) -> dict[str, float]:
    """Return the mean saving and its 95 % interval."""
    saved = mean_interval(draws)
    return {"saved": saved.mean, "lo95": saved.lo95, "hi95": saved.hi95}
