"""Cost of the season's dirt, losses and topping by cause, each from the measurements of its own."""

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.advice.cost import OVER_TOPPED_LOSS, CropAndHaul, beet_worth_per_t
from transforms.arrays import to_float
from transforms.config.response_catalogue import DIRT, OVER_TOPPED, ROOT_LOSS, TOPS
from transforms.config.workspace import Prices
from transforms.contracts.result_tables import schema_of
from transforms.model.cluster_mean import VISIT, ClusterMean, cluster_mean
from transforms.trace.haul_distance import road_km

Array = NDArray[np.float64]
COST_SCHEMA = schema_of("season_cost")
SOIL, ROOTS, LEAF, CUT, PILE = "soil", "roots", "tops", "over_topped", "pile"
PARTS = (SOIL, ROOTS, LEAF, CUT, PILE)
"""Parts of the cost: soil hauled, roots left, leaf and crown hauled, beet cut off too deep, sugar lost in piles."""


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
    checks: pl.DataFrame,
    fields: pl.DataFrame,
    keeping: pl.DataFrame,
    sites: dict[str, tuple[float, float]],
    prices: Prices,
) -> pl.DataFrame:
    """Return `season_cost`; unmeasured loads are assumed to have the mean dirt and top tare of the measured ones.

    A part without measurements has no row. Intervals treat visits as clusters; they are null if there are fewer than
    two.

    Args:
        facts: `load_fact`.
        audits: `audit_fact`.
        checks: `root_check_fact`.
        fields: `field`.
        keeping: `storability` of measured loads.
        sites: site -> latitude and longitude of the factory, degrees.
        prices: prices of soil, roots, tops and sugar, in the season's currency.
    """
    dirt = cluster_mean(facts, DIRT)
    if dirt.mean is None:
        return pl.DataFrame(schema=COST_SCHEMA)
    delivered, pct = facts["delivered_t"].to_numpy(), facts[DIRT].fill_null(dirt.mean).to_numpy()
    clean_t = float((delivered * (1 - pct / 100)).sum())
    freight = prices.freight_per_t_km * _roads(facts, fields, sites, prices.haul_km) + prices.soil_handling_per_t
    rows = [_hauled(SOIL, facts, DIRT, dirt, freight + prices.soil_disposal_per_t)]
    lost = cluster_mean(audits, ROOT_LOSS) if ROOT_LOSS in audits.columns else None
    crop = to_float(facts["yield_t_ha"].mean() or 0.0)
    sugar = facts["sugar_pct"].mean() if "sugar_pct" in facts.columns else None
    at = CropAndHaul(crop, prices.haul_km, 1.0, None if sugar is None else to_float(sugar))
    worth = beet_worth_per_t(at, prices)
    if lost is not None and lost.mean is not None and crop:
        rows.append(_part(ROOTS, lost, clean_t / crop, worth))
    tops = cluster_mean(facts, TOPS) if TOPS in facts.columns else None
    if tops is not None and tops.mean is not None:
        rows.append(_hauled(LEAF, facts, TOPS, tops, freight + prices.tops_per_t))
    cut = _over_topped(checks)
    if cut is not None and cut.mean is not None:
        rows.append(_part(CUT, cut, OVER_TOPPED_LOSS / 100 * clean_t, worth))
    kept = cluster_mean(keeping.join(facts.select("load_id", *VISIT), on="load_id", how="left"), "loss_kg_per_t")
    if kept.mean is not None:
        rows.append(_part(PILE, kept, clean_t / 1000, prices.sugar_per_t))
    return pl.DataFrame(rows, schema=COST_SCHEMA)


def _over_topped(checks: pl.DataFrame) -> ClusterMean | None:
    """Return the share of inspected roots that are topped too deep, %; None if no check counts them."""
    if "over_topped_count" not in checks.columns:
        return None
    counted = checks.filter(pl.col("topping_checked_count") > 0)
    share = 100 * pl.col("over_topped_count") / pl.col("topping_checked_count")
    return cluster_mean(counted.with_columns(share.alias(OVER_TOPPED)), OVER_TOPPED, weight="topping_checked_count")


def _hauled(part: str, facts: pl.DataFrame, column: str, mean: ClusterMean, price: Array) -> dict[str, object]:
    """Return the row of a part that is delivered with the beet; only unmeasured loads make its mass uncertain.

    Args:
        part: soil, or leaf and crown.
        facts: `load_fact`.
        column: its percentage of the delivered mass.
        mean: mean of the column.
        price: price of each load's part, per t.
    """
    delivered = facts["delivered_t"].to_numpy()
    mass_t = delivered * facts[column].fill_null(mean.mean).to_numpy() / 100
    unmeasured = float(facts.filter(pl.col(column).is_null())["delivered_t"].sum())
    per_t = float((mass_t * price).sum() / max(float(mass_t.sum()), 1e-9))
    return _row(part, float(mass_t.sum()), _times(mean.half, unmeasured / 100) if unmeasured else 0.0, per_t, mean.n)


def _part(part: str, mean: ClusterMean, factor: float, price: float) -> dict[str, object]:
    """Return the row of a part whose mass is a mean times a factor, t."""
    return _row(part, (mean.mean or 0.0) * factor, _times(mean.half, factor), price, mean.n)


def _times(half: float | None, factor: float) -> float | None:
    """Return the product; None if the first factor is unknown."""
    return None if half is None else half * factor


def _row(part: str, mass_t: float, half_t: float | None, price: float, n: int) -> dict[str, object]:
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
