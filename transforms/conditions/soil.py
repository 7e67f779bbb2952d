"""Soil water constants from texture: Saxton and Rawls 2006, SSSAJ 70:1569-1578, equations 1 to 5 and 16."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
PARTICLE_DENSITY_T_M3 = 2.65


@dataclass(frozen=True)
class SoilWater:
    """Water constants of soils; volume fractions unless a unit is given.

    Attributes:
        wilting_point: at 1500 kPa.
        field_capacity: at 33 kPa.
        saturation: all pores full.
        conductivity_mm_h: saturated conductivity.
        density_t_m3: normal bulk density.
    """

    wilting_point: Array
    field_capacity: Array
    saturation: Array
    conductivity_mm_h: Array
    density_t_m3: Array


def soil_water(sand_pct: ArrayLike, clay_pct: ArrayLike, organic_matter_pct: ArrayLike) -> SoilWater:
    """Return the water constants of soils from their texture.

    Args:
        sand_pct: sand, percent by weight, shape (n,).
        clay_pct: clay, percent by weight, shape (n,); the equations are valid up to 60.
        organic_matter_pct: organic matter, percent by weight, shape (n,); up to 8.
    """
    S, C = np.asarray(sand_pct, dtype=np.float64) / 100, np.asarray(clay_pct, dtype=np.float64) / 100
    OM = np.asarray(organic_matter_pct, dtype=np.float64)
    first = -0.024 * S + 0.487 * C + 0.006 * OM + 0.005 * S * OM - 0.013 * C * OM + 0.068 * S * C + 0.031
    t1500 = first + (0.14 * first - 0.02)
    first = -0.251 * S + 0.195 * C + 0.011 * OM + 0.006 * S * OM - 0.027 * C * OM + 0.452 * S * C + 0.299
    t33 = first + (1.283 * first**2 - 0.374 * first - 0.015)
    first = 0.278 * S + 0.034 * C + 0.022 * OM - 0.018 * S * OM - 0.027 * C * OM - 0.584 * S * C + 0.078
    ts33 = first + (0.636 * first - 0.107)
    saturation = t33 + ts33 - 0.097 * S + 0.043
    slope = (np.log(t33) - np.log(t1500)) / (np.log(1500.0) - np.log(33.0))
    return SoilWater(
        wilting_point=t1500,
        field_capacity=t33,
        saturation=saturation,
        conductivity_mm_h=1930.0 * (saturation - t33) ** (3.0 - slope),
        density_t_m3=(1.0 - saturation) * PARTICLE_DENSITY_T_M3,
    )
