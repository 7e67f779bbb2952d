"""Hourly water balance of the evaporation layer of the topsoil: FAO-56 chapter 7; its equations in ()."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
LAYER_M = 0.10
"""Depth of the layer that dries by evaporation (FAO-56: 0.10 to 0.15 m)."""


@dataclass(frozen=True)
class Layer:
    """Water capacity of an evaporation layer, mm.

    Attributes:
        tew: total evaporable water.
        rew: readily evaporable water, before drying slows.
    """

    tew: Array
    rew: Array


def compute_layer(field_capacity: Array, wilting_point: Array, sand_pct: Array, clay_pct: Array) -> Layer:
    """Return total (73) and readily evaporable water, mm, from volume fractions and texture.

    REW follows texture after Ritchie et al. as quoted by FAO-56 practice: sandy soils 20 - 0.15 sand, clays
    11 - 0.06 clay, else 8 + 0.08 clay, within 2 to 12 mm (from memory of common practice, no page seen).

    Args:
        field_capacity: water content at field capacity, m3/m3, shape (fields,).
        wilting_point: water content at the wilting point, m3/m3, shape (fields,).
        sand_pct: sand, percent by weight, shape (fields,).
        clay_pct: clay, percent by weight, shape (fields,).
    """
    tew = 1000 * (field_capacity - 0.5 * wilting_point) * LAYER_M
    rew = np.where(
        sand_pct > 80, 20 - 0.15 * sand_pct, np.where(clay_pct > 50, 11 - 0.06 * clay_pct, 8 + 0.08 * clay_pct)
    )
    return Layer(tew, np.minimum(np.clip(rew, 2, 12), 0.8 * tew))


def kc_max(wind_m_s: Array, humidity_min_pct: Array, height_m: float, kcb: float) -> Array:
    """Return Kc max (72), the dimensionless upper limit of evaporation and transpiration, shape (n,).

    Args:
        wind_m_s: wind at 2 m, m/s, shape (n,).
        humidity_min_pct: minimum relative humidity of the day, percent, shape (n,).
        height_m: crop height, m.
        kcb: basal crop coefficient, dimensionless.
    """
    climate = (0.04 * (wind_m_s - 2) - 0.004 * (humidity_min_pct - 45)) * (height_m / 3) ** 0.3
    return np.asarray(np.maximum(1.2 + climate, kcb + 0.05))


def reduction_coefficient(depletion: Array, layer: Layer) -> Array:
    """Return the evaporation reduction coefficient Kr (74), 0 to 1, shape (fields,).

    Args:
        depletion: depletion De of the layer, mm, shape (fields,).
        layer: the capacity of the layer.
    """
    return np.clip((layer.tew - depletion) / np.maximum(layer.tew - layer.rew, 1e-9), 0.0, 1.0)


def advance_layer(
    depletion: Array,
    *,
    water_mm: Array,
    et0_mm: Array,
    layer: Layer,
    kc_upper: Array,
    kcb: float | Array,
    exposed: float | Array,
) -> tuple[Array, Array]:
    """Advance the layer by one time step, with water added at its start.

    Args:
        depletion: De before the step, mm, shape (fields,).
        water_mm: rain and irrigation per wetted surface, mm, one value or shape (fields,).
        et0_mm: reference evapotranspiration of the step, mm, one value or shape (fields,).
        layer: the capacity of the layer.
        kc_upper: Kc max (72), one value or shape (fields,).
        kcb: basal crop coefficient, dimensionless.
        exposed: fraction of soil exposed and wetted, few (75), 0 to 1.

    Returns:
        (De after the step (77), evaporation from the whole surface (69)), both in mm and of shape (fields,).
    """
    wetted = np.maximum(depletion - water_mm, 0.0)
    ke = np.minimum(reduction_coefficient(wetted, layer) * (kc_upper - kcb), exposed * kc_upper)
    evaporation = np.maximum(ke, 0.0) * et0_mm
    return np.clip(wetted + evaporation / exposed, 0.0, layer.tew), evaporation
