"""Units of the offices of the fourth group: quantity of a column, decimals and usual spellings."""

from transforms.contracts.units import conversion_factor, stored_unit

_BY_COLUMN = {
    "delivered_t": "mass",
    "truck_empty_t": "mass",
    "truck_full_t": "mass",
    "clean_t": "mass",
    "tank_t": "tank",
    "tank_capacity_t": "tank",
    "dirt_tare_pct": "tare",
    "top_tare_pct": "tare",
    "root_mass_kg": "root",
    "row_spacing_cm": "spacing",
    "plot_m2": "plot",
    "damaged_area_cm2_per_100_roots": "damage",
}
_BY_SUFFIX = {
    "_mmol_per_kg": "conc",
    "_t_ha": "yield",
    "_mj_m2": "sun",
    "_m_s": "wind",
    "_pct": "pct",
    "_deg": "deg",
    "_kmh": "speed",
    "_rpm": "rpm",
    "_mm": "height",
    "_cm": "length",
    "_kg": "kilo",
    "_ha": "area",
    "_c": "temp",
    "_m": "metre",
}
METRIC = {
    "mass": "t",
    "tank": "t",
    "tare": "pct",
    "root": "kg",
    "spacing": "cm",
    "plot": "m2",
    "damage": "cm2",
    "conc": "mmol/kg",
    "yield": "t/ha",
    "sun": "MJ/m2",
    "wind": "m/s",
    "pct": "pct",
    "deg": "deg",
    "speed": "kmh",
    "rpm": "rpm",
    "height": "mm",
    "rain": "mm",
    "length": "cm",
    "kilo": "kg",
    "area": "ha",
    "temp": "degC",
    "metre": "m",
}
_DECIMALS = {
    "t": 2, "dt": 1, "kg": 2, "g": 0, "lb": 1, "short_ton": 2, "short_cwt": 1, "pct": 1, "permille": 0, "cm": 1,
    "mm": 0, "in": 2, "m": 1, "ft": 1, "m2": 1, "ft2": 0, "cm2": 0, "in2": 1, "ha": 2, "acre": 2, "t/ha": 2, "dt/ha": 1,
    "kg/ha": 0, "short_ton/acre": 2, "degC": 1, "degF": 1, "K": 1, "MJ/m2": 3, "W/m2": 0, "Wh/m2": 0, "J/cm2": 1,
    "mmol/kg": 1, "mmol/100g": 2, "kmh": 1, "m/s": 1, "mph": 1, "rpm": 0, "1/s": 2, "deg": 6,
}  # fmt: skip
_SPELLINGS = {"pct": "%", "permille": "‰", "kmh": "km/h", "degC": "°C", "degF": "°F", "deg": "°", "m2": "m²"}


def quantity(column: str) -> str | None:
    """Return the quantity of a table column; None for counts and texts."""
    if column in _BY_COLUMN:
        return _BY_COLUMN[column]
    if column == "rain_mm":
        return "rain"
    return next((q for suffix, q in _BY_SUFFIX.items() if column.endswith(suffix)), None)


def decimals(code: str, of: str) -> int:
    """Return the decimals that an office writes in a unit."""
    if of == "mass" and code in {"kg", "lb"}:
        return 0
    return {"rain": {"mm": 1}, "wind": {"kmh": 0}}.get(of, {}).get(code, _DECIMALS[code])


def usual_spelling(code: str) -> str:
    """Return the usual text of a unit."""
    return _SPELLINGS.get(code, code)


def conversion(code: str, column: str) -> tuple[float, float]:
    """Return (factor, offset) from a unit to that of a table column."""
    stored = stored_unit(column)
    return (1.0, 0.0) if stored is None else conversion_factor(code, stored, where=column)
