"""Console columns of the stored source tables: readable headings, and values in the workspace's units."""

from flows.cli.columns import Column, Figure, Row, Value, local_time, plain
from reports.language.display_units import SHOWN, DisplayUnits
from reports.language.labels import capital
from transforms.config.workspace import Season
from transforms.contracts.units import stored_unit

HEADINGS = {
    "air_temp_c": "Air temperature",
    "air_temp_max_c": "Highest air temperature",
    "air_temp_min_c": "Lowest air temperature",
    "amino_n_mmol_per_kg": "Amino nitrogen",
    "area_ha": "Area",
    "audit_id": "Audit",
    "audited_at": "Audited",
    "boundary": "Outline",
    "broken_2_4_cm_count": "Broken tips of 2 to 4 cm",
    "broken_4_6_cm_count": "Broken tips of 4 to 6 cm",
    "broken_6_8_cm_count": "Broken tips of 6 to 8 cm",
    "broken_over_8_cm_count": "Broken tips over 8 cm",
    "cancelled": "Cancelled",
    "clay_pct": "Clay",
    "cleaning_elements": "Cleaning elements",
    "day_at": "Day",
    "dirt_tare_pct": "Dirt tare",
    "element": "Quantity",
    "field_id": "Field",
    "file": "File",
    "generation": "Machine generation",
    "gross_t": "Gross weight",
    "grower_id": "Grower",
    "hour_at": "Hour",
    "humidity_pct": "Humidity",
    "irradiation_mj_m2": "Irradiation",
    "issued_at": "Issued",
    "lat_deg": "Latitude",
    "left_field_at": "Left the field",
    "line": "Line",
    "load_id": "Load",
    "load_number": "Load counter",
    "loaded_t": "Loaded mass",
    "logged_at": "Logged",
    "lon_deg": "Longitude",
    "machine_id": "Machine",
    "net_t": "Net weight",
    "operator_id": "Operator",
    "organic_matter_pct": "Organic matter",
    "part": "Part of the file",
    "plot_m2": "Plot",
    "potassium_mmol_per_kg": "Potassium",
    "rain_mm": "Rain",
    "revision": "Revision",
    "root_mass_kg": "Mass of a root",
    "row_spacing_cm": "Row spacing",
    "rows_count": "Rows lifted at once",
    "sample_id": "Sample",
    "sample_kg": "Sample mass",
    "sand_pct": "Sand",
    "sections_on_pct": "Sections on",
    "site_id": "Factory",
    "sodium_mmol_per_kg": "Sodium",
    "station_id": "Weather station",
    "sugar_pct": "Sugar",
    "tank_capacity_t": "Tank capacity",
    "tank_t": "Mass in the tank",
    "top_tare_pct": "Top tare",
    "unload_number": "Unloading counter",
    "unloaded_t": "Unloaded mass",
    "unloading": "Unloading",
    "valid_from_at": "Valid from",
    "value": "Value",
    "weighed_at": "Weighed",
    "whole_roots_count": "Whole roots left",
    "wind_m_s": "Wind",
    "work_state": "State of work",
    "yield_t_ha": "Yield",
}
"""Column of a source table -> its heading without the unit; settings have the label of the catalogue."""

SYMBOLS = {
    "MJ/m2": "MJ/m²",
    "m2": "m²",
    "deg": "°",
    "m/s": "m/s",
    "mmol/kg": "mmol/kg",
    "kg": "kg",
    "m": "m",
}
"""Stored unit that is shown unconverted -> its symbol."""
DIGITS = {"deg": 5, "mmol/kg": 1, "kg": 2, "t": 2, "pct": 1, "degC": 1, "MJ/m2": 2, "m/s": 1}
"""Stored unit -> decimals of a value as received; other units have the decimals of pages."""


def display_units(season: Season) -> DisplayUnits:
    """Return the units in which the workspace's output shows quantities."""
    return DisplayUnits(season.units, season.currency, season.time_zone)


def stored_heading(name: str, season: Season) -> str:
    """Return the readable heading of a stored column or setting, without its unit."""
    if name in season.catalogue:
        return capital(season.catalogue[name].label)
    return HEADINGS.get(name) or capital(name.replace("_", " "))


def unit_sign(name: str, season: Season) -> str:
    """Return the symbol of the unit in which a stored column is shown; empty without a unit."""
    unit = _unit(name, season)
    if unit is None:
        return ""
    return display_units(season).sign(unit) if unit in SHOWN[season.units] else SYMBOLS.get(unit, unit)


def stored_column(name: str, season: Season) -> Column:
    """Return the console column of a stored column or setting."""
    heading, sign = stored_heading(name, season), unit_sign(name, season)
    if name.endswith("_at"):
        return local_time(heading, name, season.time_zone)
    return Column(f"{heading}, {sign}" if sign else heading, lambda row: _shown(row, name, season))


def stored_columns(names: tuple[str, ...], season: Season) -> tuple[Column, ...]:
    """Return the console columns of several stored columns."""
    return tuple(stored_column(name, season) for name in names)


def _unit(name: str, season: Season) -> str | None:
    if name in season.catalogue:
        return season.catalogue[name].unit
    return "rain" if name == "rain_mm" else stored_unit(name)


def _shown(row: Row, name: str, season: Season) -> Value:
    value, unit, shown = row[name], _unit(name, season), display_units(season)
    if not isinstance(value, float):
        return plain("", name).value(row)
    if unit is None:
        return Figure(value, 0 if value.is_integer() else 2)
    if unit not in SHOWN[season.units]:
        return Figure(value, DIGITS.get(unit, 1))
    is_setting = name in season.catalogue
    usual = shown.digits(unit)
    return Figure(shown.convert(value, unit), usual if is_setting else max(usual, DIGITS.get(unit, 0)))
