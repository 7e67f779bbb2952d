"""Console columns of the stored source tables: readable headings, and values in the workspace's units."""

import math

from flows.cli.columns import Column, Figure, Row, SettingFigure, Value, local_time, plain
from reports.language.column_headings import HEADINGS
from reports.language.display_units import SHOWN, DisplayUnits
from reports.language.labels import capital, setting_label
from reports.language.precision import rounded_setting, setting_value
from reports.language.translate import say
from transforms.config.settings_catalogue import Setting
from transforms.config.workspace import Season
from transforms.contracts.units import stored_unit

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
        return capital(setting_label(name, season.catalogue))
    return say(HEADINGS[name]) if name in HEADINGS else capital(name.replace("_", " "))


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
    if name in season.catalogue:
        return _setting(value, season.catalogue[name], shown)
    return Figure(shown.convert(value, unit), max(shown.digits(unit), DIGITS.get(unit, 0)))


def _setting(value: float, setting: Setting, shown: DisplayUnits) -> Value:
    if not math.isfinite(value):
        return None
    return SettingFigure(setting_value(value, setting, shown, unit=False), *rounded_setting(value, setting, shown))
