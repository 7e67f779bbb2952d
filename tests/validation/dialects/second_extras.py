"""Columns that nobody needs, in the offices that were set aside second."""

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from random import Random
from typing import Any

from tests.validation.dialects.build_columns import ColumnBuilder
from tests.validation.dialects.truth import FileColumn

_INITIALS = ("kh", "MW", "js", "ABE", "tp")
_NOTES = (None, None, None, "ok", "!", "2x", "tel.")
_OF_LOAD = (
    "trailer",
    "invoice",
    "vat",
    "order",
    "customer",
    "initials",
    "clerk",
    "article",
    "note",
    "booked",
    "distance",
)
_OF_LOG = ("altitude", "heading", "hdop", "satellites", "fuel", "engine_speed", "oil_temp", "initials")
_OF_HOUR = ("wind_direction", "gust", "pressure", "dew_point", "soil_temp", "quality")
SECOND_EXTRAS: dict[str, tuple[str, ...]] = {
    "telemetry": _OF_LOG,
    "load": _OF_LOAD,
    "tare": ("tray", "batch", "inspector", "note", "booked", "invert"),
    "loss_audit": ("inspector", "photo", "note"),
    "root_check": ("inspector", "photo", "note"),
    "field": ("variety", "sown", "post", "cadastre", "note"),
    "machine_setup": ("serial", "built", "hours", "note"),
    "weather_hour": _OF_HOUR,
    "forecast_hour": _OF_HOUR[:-1],
    "weather_day": ("gust", "sunshine", "soil_temp", "quality"),
}
_UNITS = {
    "distance": ("km", "км"),
    "altitude": ("m", "м"),
    "heading": ("°", "°"),
    "fuel": ("l/h", "л/ч"),
    "wind_direction": ("°", "°"),
    "pressure": ("hPa", "гПа"),
    "sunshine": ("h", "ч"),
    "hours": ("h", "ч"),
}
"""Unit in Latin and in Cyrillic letters."""
_CODES = {
    "invert": "mmol/kg",
    "vat": "pct",
    "engine_speed": "rpm",
    "gust": "m/s",
    "oil_temp": "degC",
    "dew_point": "degC",
    "soil_temp": "degC",
}
"""Units that other columns of a file may have too, in the same spelling."""


@dataclass(frozen=True)
class _UsUnit:
    """Unit of a US office, and its conversion from the metric one: value * factor + offset."""

    unit: str
    factor: float
    offset: float = 0.0


_US = {
    "distance": _UsUnit("mi", 0.621),
    "altitude": _UsUnit("ft", 3.281),
    "fuel": _UsUnit("gal/h", 0.264),
    "pressure": _UsUnit("inHg", 0.0295),
    "gust": _UsUnit("MPH", 2.237),
    "oil_temp": _UsUnit("deg F", 1.8, 32),
    "dew_point": _UsUnit("deg F", 1.8, 32),
    "soil_temp": _UsUnit("deg F", 1.8, 32),
}


def _day(rng: Random, first: dt.date, days: int) -> dt.date:
    return first + dt.timedelta(days=rng.randint(0, days))


_CELLS: dict[str, Callable[[Random], Any]] = {
    "trailer": lambda r: f"{r.randint(101, 148)}",
    "invoice": lambda r: f"{r.randint(250_000, 259_999)}",
    "vat": lambda r: r.choice([7, 19]),
    "order": lambda r: f"45{r.randint(10_000, 99_999)}",
    "customer": lambda r: f"{r.randint(70_100, 70_180)}",
    "initials": lambda r: r.choice(_INITIALS),
    "clerk": lambda r: r.choice(_INITIALS[:2]),
    "article": lambda _: "4010",
    "note": lambda r: r.choice(_NOTES),
    "booked": lambda r: _day(r, dt.date(2025, 11, 3), 40),
    "distance": lambda r: r.randint(6, 71),
    "tray": lambda r: f"{r.choice('ABCD')}{r.randint(1, 24)}",
    "batch": lambda r: r.randint(3, 9),
    "invert": lambda r: round(r.uniform(2, 11), 1),
    "photo": lambda r: f"IMG_{r.randint(1000, 4999)}",
    "inspector": lambda r: r.choice(_INITIALS),
    "variety": lambda r: r.choice(["ZR 12", "ZR 31", "NT-4"]),
    "sown": lambda r: _day(r, dt.date(2025, 3, 20), 35),
    "post": lambda r: f"{r.randint(31_000, 39_900)}",
    "cadastre": lambda r: f"{r.randint(1, 19)}/{r.randint(1, 240)}",
    "serial": lambda r: f"{r.randint(600_000, 699_999)}",
    "built": lambda r: r.randint(2014, 2024),
    "hours": lambda r: r.randint(900, 6400),
    "altitude": lambda r: round(r.uniform(61, 94), 1),
    "heading": lambda r: round(r.uniform(0, 359.9), 1),
    "hdop": lambda r: round(r.uniform(0.6, 1.4), 1),
    "satellites": lambda r: r.randint(9, 19),
    "fuel": lambda r: round(r.uniform(31, 58), 1),
    "engine_speed": lambda r: r.randint(1280, 1690),
    "oil_temp": lambda r: round(r.uniform(48, 71), 1),
    "wind_direction": lambda r: r.randint(0, 359),
    "gust": lambda r: round(r.uniform(7.1, 15), 1),
    "pressure": lambda r: round(r.uniform(996, 1027), 1),
    "dew_point": lambda r: round(r.uniform(1, 8), 1),
    "soil_temp": lambda r: round(r.uniform(9, 13), 1),
    "sunshine": lambda r: round(r.uniform(0, 8.5), 1),
    "quality": lambda r: r.choice([1, 1, 1, 3]),
}
_WHOLE = {"vat", "distance", "batch", "built", "hours", "satellites", "engine_speed", "wind_direction", "quality"}


def draw_second_extras(builder: ColumnBuilder) -> list[FileColumn]:
    """Draw columns of a file that nobody needs, some of them with a unit."""
    rng, lexicon = builder.rng, builder.style.lexicon
    wanted = [k for k in SECOND_EXTRAS[builder.kind] if rng.random() < builder.style.extra_share]
    out = []
    for key in wanted:
        cells, unit = [_CELLS[key](rng) for _ in builder.rows], _UNITS.get(key, ("", ""))[lexicon.language == "ru"]
        if key in _CODES:
            unit = builder.spelling(_CODES[key])
        if builder.style.is_us and key in _US:
            of_us = _US[key]
            cells, unit = [round(c * of_us.factor + of_us.offset, 1) for c in cells], of_us.unit
        out.append(FileColumn(lexicon.unneeded(key), cells, unit=unit, decimals=0 if key in _WHOLE else 1))
    return out
