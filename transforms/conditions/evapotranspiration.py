"""Reference evapotranspiration: FAO Irrigation and Drainage Paper 56 (Allen et al. 1998); its equations in ()."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
SOLAR_CONSTANT = 0.0820
STEFAN_BOLTZMANN = 4.903e-9
ALBEDO = 0.23


@dataclass(frozen=True)
class Sun:
    """Astronomy of a day: extraterrestrial radiation MJ/m2/d and daylight hours."""

    radiation_mj_m2: Array
    daylight_h: Array


def sun(lat_deg: ArrayLike, day_of_year: ArrayLike) -> Sun:
    """Return extraterrestrial radiation (21) and daylight hours (34), in the arguments' common shape.

    Args:
        lat_deg: latitude, degrees, positive to the north.
        day_of_year: day of the year, 1 to 366, a shape that broadcasts with the latitude.
    """
    phi, j = np.radians(np.asarray(lat_deg, dtype=np.float64)), np.asarray(day_of_year, dtype=np.float64)
    dr = 1 + 0.033 * np.cos(2 * np.pi * j / 365)
    delta = 0.409 * np.sin(2 * np.pi * j / 365 - 1.39)
    ws = np.arccos(np.clip(-np.tan(phi) * np.tan(delta), -1, 1))
    swept = ws * np.sin(phi) * np.sin(delta) + np.cos(phi) * np.cos(delta) * np.sin(ws)
    return Sun(24 * 60 / np.pi * SOLAR_CONSTANT * dr * swept, 24 / np.pi * ws)


def vapour_pressure_kpa(temp_c: ArrayLike) -> Array:
    """Return the saturation vapour pressure (11), kPa."""
    t = np.asarray(temp_c, dtype=np.float64)
    return 0.6108 * np.exp(17.27 * t / (t + 237.3))


def penman_monteith_mm(
    *,
    t_max_c: ArrayLike,
    t_min_c: ArrayLike,
    vapour_kpa: ArrayLike,
    wind_m_s: ArrayLike,
    solar_mj_m2: ArrayLike,
    above: Sun,
    altitude_m: float,
) -> Array:
    """Return the daily reference evapotranspiration of grass (6), mm/d, shape (days,), with no soil heat flux.

    Args:
        t_max_c: highest temperature of the day, Celsius, shape (days,).
        t_min_c: lowest temperature of the day, Celsius, shape (days,).
        vapour_kpa: actual vapour pressure, kPa, shape (days,).
        wind_m_s: mean wind at 2 m, m/s, shape (days,).
        solar_mj_m2: incoming short-wave radiation of the day, MJ/m2, shape (days,).
        above: astronomy of the days, each array of shape (days,).
        altitude_m: metres above sea level.
    """
    t_max, t_min, ea, u2, rs = (
        np.asarray(v, dtype=np.float64) for v in (t_max_c, t_min_c, vapour_kpa, wind_m_s, solar_mj_m2)
    )
    mean = (t_max + t_min) / 2
    es = (vapour_pressure_kpa(t_max) + vapour_pressure_kpa(t_min)) / 2
    slope = 4098 * vapour_pressure_kpa(mean) / (mean + 237.3) ** 2
    pressure = 101.3 * ((293 - 0.0065 * altitude_m) / 293) ** 5.26
    gamma = 0.665e-3 * pressure
    clear = (0.75 + 2e-5 * altitude_m) * above.radiation_mj_m2
    cloud = 1.35 * np.minimum(rs / clear, 1.0) - 0.35
    kelvin4 = ((t_max + 273.16) ** 4 + (t_min + 273.16) ** 4) / 2
    long_wave = STEFAN_BOLTZMANN * kelvin4 * (0.34 - 0.14 * np.sqrt(ea)) * cloud
    net = (1 - ALBEDO) * rs - long_wave
    wind_term = gamma * 900 / (mean + 273) * u2 * np.maximum(es - ea, 0)
    return np.asarray(np.maximum((0.408 * slope * net + wind_term) / (slope + gamma * (1 + 0.34 * u2)), 0.0))


def hargreaves_mm(*, t_max_c: ArrayLike, t_min_c: ArrayLike, above: Sun) -> Array:
    """Return reference evapotranspiration from temperature alone (52), mm/d, shape (days,).

    Args:
        t_max_c: highest temperature of the day, Celsius, shape (days,).
        t_min_c: lowest temperature of the day, Celsius, shape (days,).
        above: astronomy of the days, each array of shape (days,).
    """
    t_max, t_min = np.asarray(t_max_c, dtype=np.float64), np.asarray(t_min_c, dtype=np.float64)
    mean = (t_max + t_min) / 2
    return 0.0023 * (mean + 17.8) * np.sqrt(np.maximum(t_max - t_min, 0)) * 0.408 * above.radiation_mj_m2
