"""Cost of dirt, lost roots, storage and machine hours per tonne of clean beet, at the workspace's prices."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from transforms.advice.storage import condition_factor, damaged_share, healthy_loss_kg_per_t_day
from transforms.config.workspace import Prices

Array = NDArray[np.float64]
FIELD_EFFICIENCY = 0.75
"""Fraction of field time spent lifting (common practice, no source)."""
USUAL_TOPS_PCT = 4.0
"""Top tare if none is measured (common practice, no source); settings that affect dirt do not change it."""
OVER_TOPPED_LOSS = 0.06
"""Share of its mass that a root loses if it is topped 1 cm too deep: 6 % (IRS Teelthandleiding 8.3, public growing
manual); that roots counted as topped too deep are 1 cm too short is an assumption."""


@dataclass(frozen=True)
class CropAndHaul:
    """Crop and haul, on which the cost depends besides dirt and root loss.

    Attributes:
        yield_t_ha: clean yield, t/ha.
        haul_km: road distance to the factory.
        width_m: working width of the machine.
        sugar_pct: sugar content; None for the standard.
        tops_pct: top tare.
        skin_damaged_pct: roots with damaged skin, one value or draws; 0 if no roots are inspected.
    """

    yield_t_ha: float
    haul_km: float
    width_m: float
    sugar_pct: float | None = None
    tops_pct: float = USUAL_TOPS_PCT
    skin_damaged_pct: Array | float = 0.0


@dataclass(frozen=True)
class CostParts:
    """Cost per tonne of clean beet by cause, in the season's currency."""

    soil: Array
    roots: Array
    pile: Array
    hours: Array
    tops: Array

    @property
    def total(self) -> Array:
        """Total cost per tonne of clean beet."""
        return np.asarray(self.soil + self.roots + self.pile + self.hours + self.tops)


CAUSES = ("soil", "roots", "pile", "hours", "tops")
"""Causes of cost, as in `CostParts`."""


def beet_worth_per_t(at: CropAndHaul, prices: Prices) -> float:
    """Return the payment for a tonne of clean beet of the field, including its quality, in the season's currency.

    Args:
        at: crop and haul, for the sugar content.
        prices: price of beet at the standard sugar content, and per point above or below it.
    """
    above = 0.0 if at.sugar_pct is None else at.sugar_pct - prices.sugar_standard_pct
    return prices.beet_per_t + prices.quality_per_point * above


def soil_cost_per_t(haul_km: float, prices: Prices) -> float:
    """Return the cost of hauling, handling and disposing of a tonne of soil, in the season's currency.

    Args:
        haul_km: road distance to the factory, km.
        prices: prices of soil.
    """
    return prices.freight_per_t_km * haul_km + prices.soil_handling_per_t + prices.soil_disposal_per_t


@dataclass(frozen=True)
class Topping:
    """Result of topping.

    Attributes:
        tops_pct: top tare, % of the delivered weight.
        over_topped_share: share of roots that are topped too deep; None if no roots are inspected.
        stalks_tops_pct: top tare of a root with leaf stalks over 2 cm, from whose share the top tare is inferred; None
            if top tare is measured.
    """

    tops_pct: Array | float
    over_topped_share: Array | float | None = None
    stalks_tops_pct: float | None = None

    @property
    def measured_tops_pct(self) -> Array | float | None:
        """Top tare; None if it is inferred."""
        return self.tops_pct if self.stalks_tops_pct is None else None


def topping_cost_per_t(topping: Topping, at: CropAndHaul, prices: Prices) -> Array:
    """Return the cost of leaf and crown delivered and of beet cut off with them, per tonne of clean beet.

    c = t (freight km + handling + processing) + 0.06 o worth,   t tops over clean, o the share topped too deep.

    Args:
        topping: top tare and share of over-topped roots, of shapes that broadcast.
        at: crop and haul.
        prices: prices of freight, handling, tops and beet.
    """
    tops = np.asarray(topping.tops_pct, dtype=np.float64) / 100
    per_t = prices.freight_per_t_km * at.haul_km + prices.soil_handling_per_t + prices.tops_per_t
    over = 0.0 if topping.over_topped_share is None else np.asarray(topping.over_topped_share, dtype=np.float64)
    return np.asarray(tops / (1 - tops) * per_t + OVER_TOPPED_LOSS * over * beet_worth_per_t(at, prices))


def cost_parts(
    dirt_ratio: Array | float,
    root_loss_t_ha: Array | float,
    speed_kmh: Array | float,
    now_kmh: float,
    at: CropAndHaul,
    prices: Prices,
    topping: Topping | None = None,
) -> CostParts:
    """Return the cost per tonne of clean beet delivered, by cause.

    c = r (freight km + handling + disposal) + L worth / Y + sugar days loss(T, dirt, tops, damage, skin)
        + hour / (0.1 min(v, v0) w e Y)

    with r dirt over clean, L root loss t/ha, Y yield t/ha, v speed and v0 the current speed km/h, w width m, e field
    efficiency. Driving slower costs machine hours. Driving faster saves nothing here, because the aim is clean, whole
    roots.

    Args:
        dirt_ratio: dirt over clean mass, any shape that broadcasts with the next two.
        root_loss_t_ha: root loss, t/ha, shape likewise.
        speed_kmh: ground speed, km/h, shape likewise.
        now_kmh: current ground speed, km/h.
        at: crop and haul, and the damage of the skin, of a shape that broadcasts.
        prices: prices of soil, roots, sugar, hours and tops, in the season's currency.
        topping: result of topping; None if no setting of it is considered: its cost then counts as 0, and the crop's
            top tare counts for the pile.

    Returns:
        Cost in the season's currency per t of clean beet, in the arguments' common shape.
    """
    r, lost = np.asarray(dirt_ratio, dtype=np.float64), np.asarray(root_loss_t_ha, dtype=np.float64)
    per_t_soil = soil_cost_per_t(at.haul_km, prices)
    t_per_hour = 0.1 * np.minimum(speed_kmh, now_kmh) * at.width_m * FIELD_EFFICIENCY * at.yield_t_ha
    healthy_loss = prices.storage_days * float(healthy_loss_kg_per_t_day(prices.storage_temp_c))
    factor = condition_factor(
        100 * r / (1 + r),
        at.tops_pct if topping is None else topping.tops_pct,
        damaged_share(lost, at.yield_t_ha),
        prices,
        at.skin_damaged_pct,
    )
    return CostParts(
        soil=r * per_t_soil,
        roots=lost / at.yield_t_ha * beet_worth_per_t(at, prices),
        pile=healthy_loss * factor * prices.sugar_per_t / 1000,
        hours=np.asarray(prices.machine_hour / t_per_hour),
        tops=np.zeros(()) if topping is None else topping_cost_per_t(topping, at, prices),
    )


def cost_per_t(
    dirt_ratio: Array | float,
    root_loss_t_ha: Array | float,
    speed_kmh: Array | float,
    now_kmh: float,
    at: CropAndHaul,
    prices: Prices,
    topping: Topping | None = None,
) -> Array:
    """Return the total of `cost_parts`, in the season's currency per t of clean beet.

    Args:
        dirt_ratio: dirt over clean mass, any shape that broadcasts with the next two.
        root_loss_t_ha: root loss, t/ha, shape likewise.
        speed_kmh: ground speed, km/h, shape likewise.
        now_kmh: current ground speed, km/h.
        at: crop and haul.
        prices: prices of soil, roots, sugar, hours and tops, in the season's currency.
        topping: result of topping, as in `cost_parts`.
    """
    return cost_parts(dirt_ratio, root_loss_t_ha, speed_kmh, now_kmh, at, prices, topping).total
