"""Dependence of the advice on assumed prices: the order of machines, and the price at which a move stops paying.

The gain of a move is a sum of parts by cause (soil, roots, pile, hours, tops), each proportional to the prices of its
cause.
"""

from dataclasses import dataclass

import polars as pl

from transforms.config.workspace import Prices

CAUSE_PRICES = {
    "soil": ("freight_per_t_km", "haul_km", "soil_handling_per_t", "soil_disposal_per_t"),
    "roots": ("beet_per_t",),
    "pile": ("sugar_per_t", "storage_days", "storage_temp_c"),
    "hours": ("machine_hour",),
    "tops": ("tops_per_t",),
}
"""Cause of cost -> prices and assumptions to which its part of a gain is proportional, or nearly so."""
PLAUSIBLE = (2 / 3, 3 / 2)
"""Range by which an assumed price may plausibly be wrong, as factors (common practice, no source)."""
FIRST = 4
"""Machines whose order counts: those that the page shows before its fold."""


@dataclass(frozen=True)
class BreakEven:
    """Price at which the first move stops paying, all other prices unchanged.

    Attributes:
        cause: cause of cost: soil, roots, pile, hours or tops.
        price: price in currency per tonne (per hour for hours); for soil, all costs of hauling a tonne.
        stops_below: True if the move stops paying below this price, False if above.
        is_plausible: True if the price is within the plausible range of the assumed one.
    """

    cause: str
    price: float
    stops_below: bool
    is_plausible: bool


@dataclass(frozen=True)
class PriceSensitivity:
    """Dependence of the ranking on assumed prices.

    Attributes:
        is_order_at_risk: True if plausible other prices change the order of the first `FIRST` machines or make the
            first move a loss.
        break_even: price nearest to the assumed one at which the first move stops paying; None if no assumed price
            alone can make it a loss.
    """

    is_order_at_risk: bool
    break_even: BreakEven | None


def _price_of(cause: str, prices: Prices) -> float:
    """Return the price that represents a cause, in the season's currency."""
    soil = prices.freight_per_t_km * prices.haul_km + prices.soil_handling_per_t + prices.soil_disposal_per_t
    other = {
        "roots": prices.beet_per_t,
        "pile": prices.sugar_per_t,
        "hours": prices.machine_hour,
        "tops": prices.tops_per_t,
    }
    return soil if cause == "soil" else other[cause]


def price_sensitivity(
    advice: pl.DataFrame, soil_free_t: dict[str, float], prices: Prices, assumed: tuple[str, ...]
) -> PriceSensitivity | None:
    """Return how the ranking of machines and the first move depend on assumed prices.

    Args:
        advice: rows of `advice`.
        soil_free_t: machine -> clean beet lifted in a shift (without soil), t; machines without it are ranked last.
        prices: prices used for the advice.
        assumed: names of the prices that are defaults.

    Returns:
        The dependence; None if no move is advised or no price is assumed.
    """
    causes = [c for c, names in CAUSE_PRICES.items() if any(n in assumed for n in names)]
    moves = advice.filter(pl.col("verdict") == "move")
    if not causes or not moves.height:
        return None
    parts = [f"gain_{c}_per_t" for c in CAUSE_PRICES]
    totals = moves.group_by("machine_id", maintain_order=True).agg(pl.col(parts).sum())
    mass = pl.col("machine_id").replace_strict(soil_free_t, default=0.0, return_dtype=pl.Float64)
    worth = totals.with_columns(pl.col(parts) * mass).sort(
        pl.sum_horizontal(parts), "machine_id", descending=[True, False]
    )
    order, first = worth["machine_id"][:FIRST].to_list(), worth["machine_id"][0]
    of_first = moves.filter(pl.col("machine_id") == first).sort("move_number").select(parts).row(0, named=True)
    at_risk = False
    for cause in causes:
        for factor in PLAUSIBLE:
            scaled = [pl.col(p) * (factor if p == f"gain_{cause}_per_t" else 1.0) for p in parts]
            ranked = worth.sort(pl.sum_horizontal(scaled), "machine_id", descending=[True, False])
            gain = sum(of_first.values()) + (factor - 1) * of_first[f"gain_{cause}_per_t"]
            at_risk |= ranked["machine_id"][:FIRST].to_list() != order or gain <= 0
    return PriceSensitivity(at_risk, _nearest_break_even(of_first, causes, prices))


def _nearest_break_even(parts: dict[str, float], causes: list[str], prices: Prices) -> BreakEven | None:
    """Return the break-even that needs the smallest relative change of one cause's prices; None if there is none."""
    total, found = sum(parts.values()), []
    for cause in causes:
        own = parts[f"gain_{cause}_per_t"]
        if own == 0:
            continue
        factor = (own - total) / own
        if factor > 0:
            is_plausible = PLAUSIBLE[0] <= factor <= PLAUSIBLE[1]
            price = factor * _price_of(cause, prices)
            found.append((max(factor, 1 / factor), BreakEven(cause, price, own > 0, is_plausible)))
    return min(found, key=lambda f: f[0])[1] if found else None
