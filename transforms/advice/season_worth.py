"""Cost of the season's dirt and losses, and savings with the guide's settings on the season's tonnage.

The saving of class c is E_z[cost(z_c) - cost(z_c + d_c)] t_c, with z_c the level of a visit with usual settings, d_c
the effect of the guide's moves, and t_c the clean tonnes lifted. Moves of all classes share the fit's coefficients: d
is drawn jointly for all classes, so that the interval of the total accounts for their correlation.
"""

from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.advice.cost import CropAndHaul, Topping, beet_worth_per_t, cost_per_t
from transforms.advice.mean_interval import mean_interval
from transforms.advice.pair_effects import PairEffect
from transforms.advice.shrinkage import Shrinkage
from transforms.advice.topping import topping_from_scale
from transforms.arrays import to_float
from transforms.config.response_catalogue import DAMAGED, DIRT, ROOT_LOSS
from transforms.config.workspace import Prices
from transforms.contracts.result_tables import schema_of
from transforms.model.cluster_mean import VISIT, cluster_mean
from transforms.model.fit_result import ResponseFit
from transforms.model.response_scale import SMALL_LOSS_T_HA, value_from_scale
from transforms.trace.haul_distance import road_km

Array = NDArray[np.float64]
LEVELS = 100
"""Number of draws of a class's level over which a saving is averaged."""
WORTH_SCHEMA = schema_of("guide_worth")
COST_SCHEMA = schema_of("season_cost")
SOIL, ROOTS, PILE = "soil", "roots", "pile"


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


def _roads(facts: pl.DataFrame, fields: pl.DataFrame, sites: dict[str, tuple[float, float]], haul_km: float) -> Array:
    """Return the road distance of each load, km; the workspace's usual haul if field or site has no position."""
    places = {f: (lat, lon) for f, lat, lon in fields.select("field_id", "lat_deg", "lon_deg").iter_rows()}
    known = {}
    for f, s in facts.select("field_id", "site_id").unique().iter_rows():
        place = places.get(f)
        known[f, s] = road_km(*place, sites[s]) if place is not None and None not in place and s in sites else haul_km
    return np.array([known[k] for k in facts.select("field_id", "site_id").iter_rows()], dtype=np.float64)


def season_cost(
    facts: pl.DataFrame,
    audits: pl.DataFrame,
    fields: pl.DataFrame,
    keeping: pl.DataFrame,
    sites: dict[str, tuple[float, float]],
    prices: Prices,
) -> pl.DataFrame:
    """Return `season_cost`; unmeasured loads are assumed to have the mean dirt of the measured ones.

    Intervals treat visits as clusters; they are null if there are fewer than two.

    Args:
        facts: `load_fact`.
        audits: `audit_fact`.
        fields: `field`.
        keeping: `storability` of measured loads.
        sites: site -> latitude and longitude of the factory, degrees.
        prices: prices of soil, roots and sugar, in the season's currency.
    """
    dirt = cluster_mean(facts, DIRT)
    if dirt.mean is None:
        return pl.DataFrame(schema=COST_SCHEMA)
    delivered, pct = facts["delivered_t"].to_numpy(), facts[DIRT].fill_null(dirt.mean).to_numpy()
    unmeasured = float(facts.filter(pl.col(DIRT).is_null())["delivered_t"].sum())
    soil_t, soil_free_t = delivered * pct / 100, float((delivered * (1 - pct / 100)).sum())
    soil = float(soil_t.sum())
    freight = prices.freight_per_t_km * _roads(facts, fields, sites, prices.haul_km)
    per_t = float(
        (soil_t * (freight + prices.soil_handling_per_t + prices.soil_disposal_per_t)).sum() / max(soil, 1e-9)
    )
    rows = [_part(SOIL, soil, _times(dirt.half, unmeasured / 100) if unmeasured else 0.0, per_t, dirt.n)]
    lost = cluster_mean(audits, ROOT_LOSS) if ROOT_LOSS in audits.columns else None
    crop = to_float(facts["yield_t_ha"].mean() or 0.0)
    if lost is not None and lost.mean is not None and crop:
        sugar = facts["sugar_pct"].mean() if "sugar_pct" in facts.columns else None
        at = CropAndHaul(crop, prices.haul_km, 1.0, None if sugar is None else to_float(sugar))
        hectares, worth = soil_free_t / crop, beet_worth_per_t(at, prices)
        rows.append(_part(ROOTS, lost.mean * hectares, _times(lost.half, hectares), worth, lost.n))
    kept = cluster_mean(keeping.join(facts.select("load_id", *VISIT), on="load_id", how="left"), "loss_kg_per_t")
    if kept.mean is not None:
        lost_t = kept.mean * soil_free_t / 1000
        rows.append(_part(PILE, lost_t, _times(kept.half, soil_free_t / 1000), prices.sugar_per_t, kept.n))
    return pl.DataFrame(rows, schema=COST_SCHEMA)


def _times(half: float | None, factor: float) -> float | None:
    """Return the product; None if the first factor is unknown."""
    return None if half is None else half * factor


def _part(part: str, mass_t: float, half_t: float | None, price: float, n: int) -> dict[str, object]:
    """Return a row of `season_cost`; its interval is null if unknown."""
    low, high = (None, None) if half_t is None else (mass_t - half_t, mass_t + half_t)
    return {
        "part": part,
        "mass_t": mass_t,
        "mass_lo95": low,
        "mass_hi95": high,
        "money": mass_t * price,
        "money_lo95": _times(low, price),
        "money_hi95": _times(high, price),
        "n": n,
    }
