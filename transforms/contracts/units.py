"""Closed table of units: unknown units are asked about, never guessed."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from transforms.contracts.unit_spellings import ALIASES
from transforms.errors import WorkspaceError

if TYPE_CHECKING:  # commands load this module to show their help
    import polars as pl


@dataclass(frozen=True)
class Unit:
    """A unit as `value_in_base = value * factor + offset`, with the source of its factor."""

    dimension: str
    factor: float
    source: str
    offset: float = 0.0


SI = "BIPM, The International System of Units, 9th edition (2019), tables 2 to 4, 7 and 8"
NIST = "NIST Special Publication 811 (2008), appendix B.8"
ACRE = "43,560 square feet of 0.3048 m (Federal Register 85 FR 62698, 2020)"
IUPAC = "IUPAC Green Book, 3rd edition (2007), section 3.8"
RATIO = "ratio of other units of this table"

_FT, _LB, _ACRE = 0.3048, 0.45359237, 43_560 * 0.3048**2
_KELVIN = -273.15
UNITS: dict[str, Unit] = {
    "cm": Unit("length", 0.01, SI),
    "mm": Unit("length", 0.001, SI),
    "m": Unit("length", 1.0, SI),
    "km": Unit("length", 1000.0, SI),
    "in": Unit("length", 0.0254, NIST),
    "ft": Unit("length", _FT, NIST),
    "yd": Unit("length", 0.9144, NIST),
    "mi": Unit("length", 1609.344, NIST),
    "kmh": Unit("speed", 1 / 3.6, SI),
    "m/s": Unit("speed", 1.0, SI),
    "mph": Unit("speed", 0.44704, NIST),
    "rpm": Unit("rotation", 1.0, SI),
    "1/s": Unit("rotation", 60.0, SI),
    "pct": Unit("fraction", 0.01, IUPAC),
    "permille": Unit("fraction", 0.001, IUPAC),
    "fraction": Unit("fraction", 1.0, IUPAC),
    "t": Unit("mass", 1000.0, SI),
    "dt": Unit("mass", 100.0, SI),
    "kg": Unit("mass", 1.0, SI),
    "g": Unit("mass", 0.001, SI),
    "lb": Unit("mass", _LB, NIST),
    "short_cwt": Unit("mass", 100 * _LB, NIST),
    "long_cwt": Unit("mass", 112 * _LB, NIST),
    "short_ton": Unit("mass", 2000 * _LB, NIST),
    "long_ton": Unit("mass", 2240 * _LB, NIST),
    "ha": Unit("area", 10_000.0, SI),
    "are": Unit("area", 100.0, NIST),
    "m2": Unit("area", 1.0, SI),
    "cm2": Unit("area", 1e-4, SI),
    "in2": Unit("area", 0.0254**2, NIST),
    "ft2": Unit("area", _FT**2, NIST),
    "acre": Unit("area", _ACRE, ACRE),
    "t/ha": Unit("mass_per_area", 0.1, RATIO),
    "dt/ha": Unit("mass_per_area", 0.01, RATIO),
    "kg/ha": Unit("mass_per_area", 1e-4, RATIO),
    "kg/m2": Unit("mass_per_area", 1.0, RATIO),
    "g/m2": Unit("mass_per_area", 0.001, RATIO),
    "short_ton/acre": Unit("mass_per_area", 2000 * _LB / _ACRE, RATIO),
    "1/ha": Unit("count_per_area", 1.0, RATIO),
    "1000/ha": Unit("count_per_area", 1000.0, RATIO),
    "1/acre": Unit("count_per_area", 10_000.0 / _ACRE, RATIO),
    "1/m2": Unit("count_per_area", 10_000.0, RATIO),
    "degC": Unit("temperature", 1.0, SI),
    "degF": Unit("temperature", 5 / 9, NIST, -160 / 9),
    "K": Unit("temperature", 1.0, SI, _KELVIN),
    "MJ/m2": Unit("irradiation", 1.0, SI),
    "W/m2": Unit("irradiation", 0.0036, SI),  # mean over one hour
    "Wh/m2": Unit("irradiation", 0.0036, SI),
    "J/cm2": Unit("irradiation", 0.01, SI),
    "mmol/kg": Unit("concentration", 1.0, SI),
    "mmol/100g": Unit("concentration", 10.0, SI),
    "deg": Unit("angle", 1.0, SI),
    "flag": Unit("flag", 1.0, "no conversion"),
    "count": Unit("count", 1.0, "no conversion"),
    "day": Unit("days", 1.0, SI),
}
"""Code -> unit; base units are SI (percent as a fraction, rotation in rpm, temperature in Celsius, counts per ha)."""

QUOTIENTS = {("mass", "area"): "kg/m2", ("count", "area"): "1/m2", ("mass", "count"): "kg"}
"""Dimensions of numerator and denominator -> unit of the quotient of their base units."""


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
    "_cm2_per_100_roots": "cm2",
    "_per_ha": "1/ha",
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


def quotient_unit(numerator: str, denominator: str) -> str | None:
    """Return the unit of a quotient of values in base units; None if the table has no such quotient.

    >>> quotient_unit("lb", "acre"), quotient_unit("g", "kg"), quotient_unit("kg", "rpm")
    ('kg/m2', 'fraction', None)
    """
    a, b = UNITS[numerator].dimension, UNITS[denominator].dimension
    return "fraction" if a == b else QUOTIENTS.get((a, b))
