"""Simulated hourly weather of the demo, and the resulting true topsoil wetness.

The soil of the demo is a bucket with two-stage drying; the analysis uses FAO-56, so that the two differ as a model
differs from a real field.
"""

import datetime as dt

import numpy as np
import polars as pl
from numpy.typing import NDArray

Array = NDArray[np.float64]


def _rain(rng: np.random.Generator, days: int) -> Array:
    """Return hourly rain, mm: wet and dry spells of some days, with showers in the wet ones."""
    rain = np.zeros(days * 24)
    day, wet = 0, bool(rng.random() < 0.4)
    while day < days:
        length = int(rng.integers(2, 4)) if wet else int(rng.integers(3, 8))
        for d in range(day, min(day + length, days)):
            if wet and rng.random() < 0.75:
                start, duration = int(rng.integers(0, 20)), int(rng.integers(2, 8))
                hours = slice(d * 24 + start, min(d * 24 + start + duration, days * 24))
                rain[hours] += rng.gamma(1.2, 1.1, rain[hours].size)
        day, wet = day + length, not wet
    return np.round(rain, 1)


def invent_weather(rng: np.random.Generator, first_hour: dt.datetime, days: int, stations: list[str]) -> pl.DataFrame:
    """Return `station_id, hour_at, air_temp_c, humidity_pct, wind_m_s, irradiation_mj_m2, rain_mm` by the hour."""
    hours = np.arange(days * 24)
    day, hour = hours // 24, hours % 24
    shared_rain = _rain(rng, days)
    frames = []
    for station in stations:
        # Showers differ between stations; wet spells do not.
        rain = np.round(shared_rain * rng.uniform(0.6, 1.4, hours.size), 1)
        cloudy = np.convolve(rain > 0, np.ones(7) / 7, mode="same")
        mean = 13.0 - 0.16 * day + 2.5 * np.sin(day / 4.3) + rng.normal(0, 1.0, days)[day]
        temp = mean + (5.0 - 3.0 * cloudy) * np.sin((hour - 9) / 24 * 2 * np.pi)
        sun = np.maximum(0, np.sin((hour - 6.3) / 11.0 * np.pi)) * ((hour > 6) & (hour < 18))
        frames.append(
            pl.DataFrame(
                {
                    "station_id": station,
                    "hour_at": [first_hour + dt.timedelta(hours=int(h)) for h in hours],
                    "air_temp_c": np.round(temp, 1),
                    "humidity_pct": np.round(
                        np.clip(78 + 15 * cloudy - 2.2 * (temp - mean) + rng.normal(0, 2, hours.size), 35, 100)
                    ),
                    "wind_m_s": np.round(
                        np.clip(2.6 + rng.normal(0, 0.9, days)[day] + rng.normal(0, 0.4, hours.size), 0.2, 12), 1
                    ),
                    "irradiation_mj_m2": np.round(1.75 * sun * (1 - 0.7 * cloudy) * (1 - 0.006 * day), 3),
                    "rain_mm": rain,
                }
            ).with_columns(pl.col("hour_at").dt.cast_time_unit("us"))
        )
    return pl.concat(frames)


def true_wetness(weather: pl.DataFrame, clay: Array, shift: Array) -> Array:
    """Return the true topsoil wetness, 0..1, shape (hours, fields), for fields of one station.

    A bucket of the top 8 cm: rain fills it, drying follows radiation and slows with the square root of the water left;
    clay stores more and dries more slowly. `shift` is the constant deviation of each field (shade, slope, crop).
    """
    rain = weather["rain_mm"].to_numpy()
    demand = 0.075 * weather["irradiation_mj_m2"].to_numpy() * (1 + weather["air_temp_c"].to_numpy() / 25)
    demand = demand + 0.006 * weather["wind_m_s"].to_numpy()
    capacity = 15.0 + 16.0 * clay
    level = 0.55 * capacity
    out = np.empty((rain.size, clay.size))
    for h in range(rain.size):
        level = np.minimum(level + 0.9 * rain[h], capacity)
        level = np.maximum(level - demand[h] * (level / capacity) ** 0.5 * (1.25 - 0.6 * clay), 0.02 * capacity)
        out[h] = level / capacity
    return np.clip(out + shift[None, :], 0.02, 1.0)
