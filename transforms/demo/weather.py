"""Invented weather by the hour, and the topsoil wetness that follows from it in the demo's own soil.

The demo's soil is a two-stage drying bucket; the analysis uses FAO-56 instead, so the two agree only as well as a
model and a field do.
"""

import datetime as dt

import numpy as np
import polars as pl
from numpy.typing import NDArray

Array = NDArray[np.float64]


def _rain(rng: np.random.Generator, days: int) -> Array:
    """Hourly rain, mm: wet and dry spells of some days, showers inside the wet ones."""
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
    """Return `station_id, hour_at, air_temp_c, humidity_pct, wind_m_s, irradiation_mj_m2, rain_mm`, a row an hour."""
    hours = np.arange(days * 24)
    day, hour = hours // 24, hours % 24
    shared_rain = _rain(rng, days)
    frames = []
    for station in stations:
        # Showers differ between stations, spells do not.
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
    """Return the true topsoil wetness, 0..1, hours x fields, for fields of one station.

    A bucket of the top 8 cm: rain fills it, drying follows radiation and slows with the square root of what is left;
    clay holds more and dries slower. `shift` is each field's own standing departure (shade, slope, crop).
    """
    rain = weather["rain_mm"].to_numpy()
    demand = 0.075 * weather["irradiation_mj_m2"].to_numpy() * (1 + weather["air_temp_c"].to_numpy() / 25)
    demand = demand + 0.006 * weather["wind_m_s"].to_numpy()
    holds = 15.0 + 16.0 * clay
    level = 0.55 * holds
    out = np.empty((rain.size, clay.size))
    for h in range(rain.size):
        level = np.minimum(level + 0.9 * rain[h], holds)
        level = np.maximum(level - demand[h] * (level / holds) ** 0.5 * (1.25 - 0.6 * clay), 0.02 * holds)
        out[h] = level / holds
    return np.clip(out + shift[None, :], 0.02, 1.0)
