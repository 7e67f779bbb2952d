"""Units in which invented offices write quantities, with factors that are not those of the program."""

from dataclasses import dataclass
from random import Random

from tests.validation.dialects.lexicon import Lexicon
from tests.validation.dialects.second_spellings import SECOND_SPELLINGS

POUND_KG = 0.45359237
ACRE_HA = 0.40468564224
SHORT_TON_T = 0.90718474
INCH_CM = 2.54


@dataclass(frozen=True)
class FileUnit:
    """Unit of a file: stored value = value * factor + offset.

    Attributes:
        code: own name of the unit, key of `SPELLINGS`.
        factor, offset: conversion to the stored unit of the quantity.
        decimals: decimal places that people write.
        is_us: True for units of US offices only.
    """

    code: str
    factor: float
    decimals: int
    offset: float = 0.0
    is_us: bool = False


QUANTITIES: dict[str, tuple[FileUnit, ...]] = {
    "load_t": (
        FileUnit("t", 1.0, 2),
        FileUnit("kg", 0.001, 0),
        FileUnit("dt", 0.1, 1),
        FileUnit("short_ton", SHORT_TON_T, 2, is_us=True),
        FileUnit("lb", POUND_KG / 1000, 0, is_us=True),
        FileUnit("cwt", POUND_KG / 10, 1, is_us=True),
    ),
    "mass_kg": (FileUnit("kg", 1.0, 2), FileUnit("g", 0.001, 0), FileUnit("lb", POUND_KG, 2, is_us=True)),
    "depth_cm": (FileUnit("cm", 1.0, 1), FileUnit("mm", 0.1, 0), FileUnit("in", INCH_CM, 2, is_us=True)),
    "height_mm": (FileUnit("mm", 1.0, 0), FileUnit("cm", 10.0, 1), FileUnit("in", 10 * INCH_CM, 2, is_us=True)),
    "speed_kmh": (FileUnit("kmh", 1.0, 1), FileUnit("m/s", 3.6, 2), FileUnit("mph", 1.609344, 1, is_us=True)),
    "wind_m_s": (FileUnit("m/s", 1.0, 1), FileUnit("kmh", 1 / 3.6, 1), FileUnit("mph", 0.44704, 1, is_us=True)),
    "speed_rpm": (FileUnit("rpm", 1.0, 0),),
    "share_pct": (FileUnit("pct", 1.0, 1),),
    "tare_pct": (FileUnit("pct", 1.0, 2), FileUnit("pct", 1.0, 2), FileUnit("permille", 0.1, 1)),
    "temp_c": (FileUnit("degC", 1.0, 1), FileUnit("degF", 5 / 9, 1, offset=-160 / 9, is_us=True)),
    "area_ha": (
        FileUnit("ha", 1.0, 2),
        FileUnit("are", 0.01, 0),
        FileUnit("m2", 1e-4, 0),
        FileUnit("acre", ACRE_HA, 1, is_us=True),
    ),
    "yield_t_ha": (
        FileUnit("t/ha", 1.0, 2),
        FileUnit("dt/ha", 0.1, 1),
        FileUnit("short_ton/acre", SHORT_TON_T / ACRE_HA, 2, is_us=True),
    ),
    "plot_m2": (FileUnit("m2", 1.0, 1), FileUnit("ft2", 0.09290304, 0, is_us=True)),
    "length_m": (FileUnit("m", 1.0, 1), FileUnit("ft", 0.3048, 1, is_us=True)),
    "area_cm2": (FileUnit("cm2", 1.0, 0), FileUnit("in2", 6.4516, 1, is_us=True)),
    "rain_mm": (FileUnit("mm", 1.0, 1), FileUnit("in", 25.4, 2, is_us=True)),
    "sun_mj": (FileUnit("mj_m2", 1.0, 2), FileUnit("j_cm2", 0.01, 0)),
    "sun_hour": (FileUnit("mj_m2", 1.0, 2), FileUnit("w_m2", 0.0036, 0), FileUnit("j_cm2", 0.01, 0)),
    "mmol": (FileUnit("mmol/kg", 1.0, 1), FileUnit("mmol/100g", 10.0, 2)),
    "deg": (FileUnit("deg", 1.0, 6),),
}
_BY_COLUMN = {
    "sample_kg": "mass_kg",
    "ground_speed_kmh": "speed_kmh",
    "wind_m_s": "wind_m_s",
    "area_ha": "area_ha",
    "plot_m2": "plot_m2",
    "plot_length_m": "length_m",
    "rain_mm": "rain_mm",
    "damaged_area_cm2_per_100_roots": "area_cm2",
    "dirt_tare_pct": "tare_pct",
    "top_tare_pct": "tare_pct",
}
_BY_SUFFIX = {
    "_mmol_per_kg": "mmol",
    "_t_ha": "yield_t_ha",
    "_deg": "deg",
    "_rpm": "speed_rpm",
    "_pct": "share_pct",
    "_kg": "mass_kg",
    "_cm": "depth_cm",
    "_mm": "height_mm",
    "_t": "load_t",
    "_c": "temp_c",
}
FULL_SCALES = {"topper_speed_rpm": (1100, 1200), "cleaner": (80, 90)}
"""Speed of a drive at 100 %, in rpm."""
SPELLINGS: dict[str, dict[str, tuple[str, ...]]] = {
    "t": {"": ("t",), "de": ("t", "to"), "ru": ("т",)},
    "kg": {"": ("kg",), "ru": ("кг",)},
    "g": {"": ("g",), "ru": ("г",)},
    "dt": {"": ("dt",), "fr": ("q",), "es": ("q",), "cs": ("q",), "ru": ("ц",)},
    "short_ton": {"": ("short ton", "tons", "T")},
    "lb": {"": ("lb", "lbs")},
    "cwt": {"": ("cwt",)},
    "cm": {"": ("cm",), "ru": ("см",)},
    "mm": {"": ("mm",), "ru": ("мм",), "fr": ("mm",)},
    "in": {"": ("in", "inch", '"')},
    "m": {"": ("m",), "ru": ("м",)},
    "ft": {"": ("ft",)},
    "kmh": {"": ("km/h",), "ru": ("км/ч",), "en": ("km/h", "kph")},
    "m/s": {"": ("m/s",), "ru": ("м/с",)},
    "mph": {"": ("mph",)},
    "rpm": {
        "": ("1/min",),
        "en": ("rpm", "r/min"),
        "de": ("1/min", "U/min", "min-1"),
        "fr": ("tr/min", "t/min"),
        "pl": ("obr/min", "obr./min"),
        "nl": ("omw/min", "tpm"),
        "es": ("rpm",),
        "ru": ("об/мин",),
        "cs": ("ot/min", "ot./min"),
    },
    "pct": {"": ("%",)},
    "permille": {"": ("‰",)},
    "degC": {"": ("°C",)},
    "degF": {"": ("°F", "F")},
    "ha": {"": ("ha",), "ru": ("га",)},
    "are": {"": ("a",), "pl": ("ar",), "cs": ("ar",), "ru": ("а",), "es": ("á",), "nl": ("are",)},
    "m2": {"": ("m2", "m²"), "ru": ("м2", "кв. м")},
    "cm2": {"": ("cm2", "cm²"), "ru": ("см2",)},
    "ft2": {"": ("sq ft", "ft2")},
    "in2": {"": ("sq in",)},
    "acre": {"": ("ac", "acres")},
    "t/ha": {"": ("t/ha",), "ru": ("т/га",)},
    "dt/ha": {"": ("dt/ha",), "fr": ("q/ha",), "es": ("q/ha",), "cs": ("q/ha",), "ru": ("ц/га",)},
    "short_ton/acre": {"": ("tons/acre", "T/ac")},
    "mj_m2": {"": ("MJ/m2", "MJ/m²"), "ru": ("МДж/м2",)},
    "j_cm2": {"": ("J/cm2", "J/cm²"), "ru": ("Дж/см2",)},
    "w_m2": {"": ("W/m2", "W/m²"), "ru": ("Вт/м2",)},
    "mmol/kg": {"": ("mmol/kg", "meq/kg"), "ru": ("ммоль/кг",)},
    "mmol/100g": {"": ("mmol/100g", "meq/100g"), "ru": ("ммоль/100г",)},
    "deg": {"": ("°", "deg")},
}


def quantity(column: str, kind: str) -> str | None:
    """Return the quantity of a table column; None for texts, times and counts."""
    if column == "irradiation_mj_m2":
        return "sun_mj" if kind == "weather_day" else "sun_hour"
    return _BY_COLUMN.get(column) or next((q for s, q in _BY_SUFFIX.items() if column.endswith(s)), None)


def draw_unit(rng: Random, name: str, *, is_us: bool, is_common: bool) -> FileUnit:
    """Draw the unit of a quantity; a common unit is the one most offices use."""
    units = [u for u in QUANTITIES[name] if u.is_us] if is_us else []
    units = units or [u for u in QUANTITIES[name] if not u.is_us]
    return units[0] if is_common else rng.choice(units)


def draw_spelling(rng: Random, code: str, lexicon: Lexicon) -> str:
    """Draw the text of a unit as an office writes it."""
    known = (SECOND_SPELLINGS if lexicon.is_second else SPELLINGS)[code]
    return rng.choice(known.get(lexicon.language, known[""]))


def full_scale(rng: Random, column: str) -> float:
    """Draw the speed at 100 % of a drive that is logged in percent."""
    return float(rng.choice(FULL_SCALES["cleaner" if column.startswith("cleaner") else column]))
