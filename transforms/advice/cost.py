"""What dirt, lost roots and slowness cost per tonne of clean beet, at the workspace's prices."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from transforms.workspace import Prices

Array = NDArray[np.float64]
FIELD_EFFICIENCY = 0.75
"""Share of field time spent lifting (common practice, no source)."""


@dataclass(frozen=True)
class CropAndHaul:
    """What the cost depends on besides dirt and loss."""

    yield_t_ha: float
    haul_km: float
    width_m: float


def cost_per_t(
    dirt_ratio: Array | float,
    root_loss_t_ha: Array | float,
    speed_kmh: float,
    now_kmh: float,
    at: CropAndHaul,
    prices: Prices,
) -> Array:
    """Return the cost per tonne of clean beet delivered, in the season's currency.

    c = r (freight km + handling + disposal + storage) + price L / Y + hour / (0.1 min(v, v0) w e Y)

    with r dirt over clean, L root loss t/ha, Y yield t/ha, v speed and v0 the speed driven now km/h, w width m, e field
    efficiency. Driving slower costs its hours; driving faster earns nothing here, for the job is clean, whole roots.
    """
    per_t_soil = (
        prices.freight_per_t_km * at.haul_km
        + prices.soil_handling_per_t
        + prices.soil_disposal_per_t
        + prices.storage_loss_per_t_dirt
    )
    t_per_hour = 0.1 * min(speed_kmh, now_kmh) * at.width_m * FIELD_EFFICIENCY * at.yield_t_ha
    soil = np.asarray(dirt_ratio) * per_t_soil
    lost = np.asarray(root_loss_t_ha) / at.yield_t_ha * prices.beet_per_t
    return np.asarray(soil + lost + prices.machine_hour / t_per_hour)
