"""Closed table of units: unknown units are asked about, never guessed."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from transforms.errors import WorkspaceError

if TYPE_CHECKING:  # commands load this module to show their help
    import polars as pl


@dataclass(frozen=True)
class Unit:
    """A unit as `value_in_base = value * factor + offset`."""

    dimension: str
    factor: float
    offset: float = 0.0


_KELVIN = -273.15
UNITS: dict[str, Unit] = {
    "cm": Unit("length", 0.01),
    "mm": Unit("length", 0.001),
    "m": Unit("length", 1.0),
    "km": Unit("length", 1000.0),
    "in": Unit("length", 0.0254),
    "mi": Unit("length", 1609.344),
    "kmh": Unit("speed", 1 / 3.6),
    "m/s": Unit("speed", 1.0),
    "mph": Unit("speed", 0.44704),
    "rpm": Unit("rotation", 1.0),
    "1/s": Unit("rotation", 60.0),
    "pct": Unit("fraction", 0.01),
    "fraction": Unit("fraction", 1.0),
    "t": Unit("mass", 1000.0),
    "kg": Unit("mass", 1.0),
    "g": Unit("mass", 0.001),
    "lb": Unit("mass", 0.45359237),
    "short_ton": Unit("mass", 907.18474),
    "ha": Unit("area", 10_000.0),
    "m2": Unit("area", 1.0),
    "acre": Unit("area", 4046.8564224),
    "t/ha": Unit("mass_per_area", 0.1),
    "short_ton/acre": Unit("mass_per_area", 907.18474 / 4046.8564224),
    "degC": Unit("temperature", 1.0),
    "degF": Unit("temperature", 5 / 9, -160 / 9),
    "K": Unit("temperature", 1.0, _KELVIN),
    "MJ/m2": Unit("irradiation", 1.0),
    "W/m2": Unit("irradiation", 0.0036),  # mean over one hour
    "mmol/kg": Unit("concentration", 1.0),
    "mmol/100g": Unit("concentration", 10.0),
    "deg": Unit("angle", 1.0),
    "flag": Unit("flag", 1.0),
    "count": Unit("count", 1.0),
    "day": Unit("days", 1.0),
}
"""Code -> unit; base units are SI (percent as a fraction, rotation in rpm, temperature in Celsius)."""

ALIASES: dict[str, str] = {
    "km/h": "kmh",
    "kph": "kmh",
    "kmh": "kmh",
    "km h-1": "kmh",
    "m/s": "m/s",
    "m s-1": "m/s",
    "mps": "m/s",
    "mph": "mph",
    "mi/h": "mph",
    "rpm": "rpm",
    "1/min": "rpm",
    "/min": "rpm",
    "min-1": "rpm",
    "u/min": "rpm",
    "r/min": "rpm",
    "ot/min": "rpm",
    "obr/min": "rpm",
    "tr/min": "rpm",
    "omw/min": "rpm",
    "upm": "rpm",
    "1/s": "1/s",
    "s-1": "1/s",
    "r/s": "1/s",
    "%": "pct",
    "pct": "pct",
    "percent": "pct",
    "prozent": "pct",
    "procent": "pct",
    "pourcent": "pct",
    "cm": "cm",
    "mm": "mm",
    "m": "m",
    "meter": "m",
    "metre": "m",
    "km": "km",
    "in": "in",
    "inch": "in",
    "inches": "in",
    '"': "in",
    "mi": "mi",
    "t": "t",
    "to": "t",
    "tonne": "t",
    "tonnes": "t",
    "tonnen": "t",
    "mg": "t",
    "kg": "kg",
    "kilogram": "kg",
    "g": "g",
    "lb": "lb",
    "lbs": "lb",
    "short ton": "short_ton",
    "short tons": "short_ton",
    "us ton": "short_ton",
    "ha": "ha",
    "m2": "m2",
    "m²": "m2",
    "sq m": "m2",
    "qm": "m2",
    "ac": "acre",
    "acre": "acre",
    "acres": "acre",
    "t/ha": "t/ha",
    "t ha-1": "t/ha",
    "to/ha": "t/ha",
    "t/ac": "short_ton/acre",
    "ton/ac": "short_ton/acre",
    "tons/acre": "short_ton/acre",
    "t/acre": "short_ton/acre",
    "°c": "degC",
    "degc": "degC",
    "c": "degC",
    "celsius": "degC",
    "°f": "degF",
    "degf": "degF",
    "f": "degF",
    "fahrenheit": "degF",
    "k": "K",
    "kelvin": "K",
    "mj/m2": "MJ/m2",
    "mj/m²": "MJ/m2",
    "w/m2": "W/m2",
    "w/m²": "W/m2",
    "mmol/kg": "mmol/kg",
    "meq/kg": "mmol/kg",
    "mmol/100g": "mmol/100g",
    "mmol/100 g": "mmol/100g",
    "meq/100g": "mmol/100g",
    "deg": "deg",
    "°": "deg",
    "degree": "deg",
    "degrees": "deg",
    "grad": "deg",
    "flag": "flag",
    "0/1": "flag",
    "count": "count",
    "n": "count",
    "pcs": "count",
    "stk": "count",
    "ks": "count",
    "d": "day",
    "day": "day",
    "days": "day",
}
"""Spelling used by people and devices -> code. Closed: other spellings are asked about, such as the ambiguous "ton"."""


def parse_unit(text: str) -> str | None:
    """Return the code of a unit as people or devices write it; None if it is not in the closed table.

    Brackets, periods, spaces and letter case do not matter, but "mg" is not "Mg".

    >>> parse_unit("km/h")
    'kmh'
    """
    plain = " ".join(text.strip(" .[]()\t").split())
    if plain in UNITS:
        return plain
    if plain == "mg":  # milligrams: not in this table
        return None
    return ALIASES.get(plain.casefold())


SUFFIX_UNIT = {
    "_t_ha": "t/ha",
    "_mmol_per_kg": "mmol/kg",
    "_mj_m2": "MJ/m2",
    "_m_s": "m/s",
    "_deg": "deg",
    "_cm": "cm",
    "_mm": "mm",
    "_m2": "m2",
    "_kmh": "kmh",
    "_rpm": "rpm",
    "_pct": "pct",
    "_kg": "kg",
    "_ha": "ha",
    "_t": "t",
    "_c": "degC",
    "_m": "m",
}


def stored_unit(column: str) -> str | None:
    """Return the stored unit of a canonical column, taken from its suffix; None if it has no unit suffix.

    >>> stored_unit("share_depth_cm")
    'cm'
    """
    return next((unit for suffix, unit in SUFFIX_UNIT.items() if column.endswith(suffix)), None)


def conversion_factor(source: str, target: str, *, where: str) -> tuple[float, float]:
    """Return (factor, offset) such that `target = source * factor + offset`.

    Raises:
        WorkspaceError: a unit is not in the table, or the two units have different dimensions.

    >>> conversion_factor("in", "cm", where="example")
    (2.54, 0.0)
    >>> conversion_factor("degF", "degC", where="example")
    (0.5555555555555556, -17.77777777777778)
    """
    for code in (source, target):
        if code not in UNITS:
            raise WorkspaceError(
                "the unit '{unit}' is not known",
                where=where,
                remedy="use one of {units}",
                unit=code,
                units=", ".join(UNITS),
            )
    a, b = UNITS[source], UNITS[target]
    if a.dimension != b.dimension:
        raise WorkspaceError(
            "'{source}' measures {dimension} and cannot become '{target}' ({other})",
            where=where,
            remedy="correct the column's unit",
            source=source,
            dimension=a.dimension,
            target=target,
            other=b.dimension,
        )
    return a.factor / b.factor, (a.offset - b.offset) / b.factor


def to_unit(value: "pl.Expr", source: str, target: str, *, where: str) -> "pl.Expr":
    """Return an expression converted from one unit of the table to another."""
    factor, offset = conversion_factor(source, target, where=where)
    return value if (factor, offset) == (1.0, 0.0) else value * factor + offset
