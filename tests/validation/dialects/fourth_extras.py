"""Columns that nobody needs, in files of the fourth group."""

import datetime as dt
from random import Random
from typing import Any

from tests.validation.dialects.fourth_style import FourthStyle
from tests.validation.dialects.truth import FileColumn

GROUP_OF = {
    "loss_audit": "check",
    "root_check": "check",
    "machine_setup": "setup",
    "weather_hour": "weather",
    "weather_day": "weather",
    "forecast_hour": "weather",
}
FIRST_SOWING = dt.date(2025, 3, 18)
_NUMBERS = {
    "distance": (4, 71, 0),
    "purity": (88, 94, 1),
    "engine": (1100, 1500, 0),
    "fuel": (28, 61, 1),
    "satellites": (7, 19, 0),
    "dew_point": (2, 9, 1),
    "pressure": (992, 1024, 1),
    "battery": (12.1, 13.6, 2),
    "wind_direction": (0, 359, 0),
    "year": (2014, 2024, 0),
}
"""Column -> lowest value, highest value, decimals."""


def fourth_extras(rng: Random, style: FourthStyle, kind: str, count: int) -> list[FileColumn]:
    """Draw columns that nobody needs."""
    names = style.lexicon.extras[GROUP_OF.get(kind, kind)]
    drawn = [key for key in names if rng.random() < style.extra_share]
    return [_column(rng, style, key, names[key], count) for key in drawn]


def _column(rng: Random, style: FourthStyle, key: str, name: str, count: int) -> FileColumn:
    if key in _NUMBERS:
        low, high, places = _NUMBERS[key]
        return FileColumn(name, [round(rng.uniform(low, high), places) for _ in range(count)], decimals=places)
    return FileColumn(name, [_text(rng, style, key, i) for i in range(count)], decimals=0)


def _text(rng: Random, style: FourthStyle, key: str, i: int) -> Any:
    raw = style.lexicon.raw
    if key == "line":
        return i + 1
    if key == "remark":
        return rng.choice([None, None, *raw["remarks"]])
    drawn = {
        "sown": (FIRST_SOWING + dt.timedelta(days=rng.randint(0, 20))).strftime("%d.%m.%Y"),
        "plate": raw["plate"].format(rng.randint(1000, 9999)),
        "grower": raw["ids"]["grower"].format(rng.randint(1, 90)),
        "serial": f"{rng.randint(10, 99)}X{rng.randint(100_000, 999_999)}",
    }
    return drawn[key] if key in drawn else rng.choice(raw["codes"][key])
