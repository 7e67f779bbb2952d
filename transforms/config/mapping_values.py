"""Validation of `[columns.NAME]` in a mapping: calculation, unit, words, machine scale and time format."""

import math
from typing import Any

import dataframely as dy

from transforms.config.forms import SERIAL_FORMATS, ZONED_SERIALS
from transforms.config.mapping_place import ColumnPlace
from transforms.config.problems import Problem, format_value, key_shown, suggestion
from transforms.contracts.flag_words import parse_flag
from transforms.contracts.units import UNITS, quotient_unit, stored_unit

COLUMNS_OF = {"difference": 2, "ratio": 2, "scaled": 3}
"""Calculations of a fixed number of columns."""
NOT_AFTER = {"full_scale": ("ratio", "scaled"), "steps": ("sum", "difference", "ratio", "scaled")}
"""Keys -> calculations whose result they cannot convert."""
KEEP_ONE = "keep one of them"
READ = ("from", "preamble", "sheet_name")
"""Keys of a value in the unit of the file."""


def check_calculation(row: dict[str, Any], good: dict[str, Any], place: ColumnPlace) -> list[Problem]:
    """Return the errors of several columns and of their calculation."""
    n, calculation = _count(row), good.get("combine")
    if calculation is None:
        is_text = isinstance(place.column, (dy.String, dy.Bool))
        if n == 1 or not is_text or "combine" in row:
            return []
        what = f"'from' names {n} columns, of which one is read"
        return [place.problem("conflict", "from", what, 'name one, or add combine = "first"')]
    needed = COLUMNS_OF.get(calculation)
    if n == 1 or (needed is not None and n != needed):
        what = f"'combine' is {format_value(calculation)}, but 'from' names {n} columns"
        return [place.problem("conflict", "combine", what, f"name {needed or 'two or more'} columns in from")]
    if calculation != "first" and place.column is not None and (place.is_time or not _is_number(place)):
        what = f"'combine' is {format_value(calculation)}, but {key_shown(place.name)} is not a number"
        return [place.problem("conflict", "combine", what, 'use combine = "first", or remove it')]
    return [
        place.problem(
            "conflict", key, f"{key_shown(key)} cannot follow combine = {format_value(calculation)}", KEEP_ONE
        )
        for key, calculations in NOT_AFTER.items()
        if key in row and calculation in calculations
    ]


def _count(row: dict[str, Any]) -> int:
    """Return the number of columns that `from` names."""
    return len(row["from"]) if isinstance(row.get("from"), list) else 1


def _is_number(place: ColumnPlace) -> bool:
    return isinstance(place.column, (dy.Float64, dy.Int64))


def check_unit(row: dict[str, Any], good: dict[str, Any], place: ColumnPlace) -> list[Problem]:
    """Return the errors of the unit; it is required unless the file states it, and must fit the column."""
    unit, stored = good.get("unit"), stored_unit(place.name)
    if "units" in row:
        return _units(row, good, stored, place)
    if "full_scale" in row:
        what, remedy = "'full_scale' needs unit = \"pct\"", 'add unit = "pct", or remove full_scale'
        return [place.problem("conflict", "full_scale", what, remedy)] if unit != "pct" else []
    is_read = any(key in row for key in READ) and not place.is_self_describing
    is_needed = is_read and stored is not None and "steps" not in row and "lookup" not in row
    if good.get("combine") == "ratio" and stored is not None:
        remedy = 'give the units of both columns, such as units = ["kg", "m2"]'
        what = "a ratio needs the units of both columns"
        return [place.problem("missing_key" if "unit" not in row else "conflict", "units", what, remedy)]
    if unit is None:
        remedy = f'add the unit of the file, for example unit = "{stored}"'
        missing = place.problem("missing_key", "unit", "the unit is missing", remedy)
        return [missing] if is_needed and "unit" not in row else []
    return _known_unit(unit, stored, place, is_constant="value" in row) or _offset([unit], good, place)


def _known_unit(unit: str, stored: str | None, place: ColumnPlace, *, is_constant: bool) -> list[Problem]:
    if unit not in UNITS:
        return [_unknown_unit("unit", unit, place)]
    if stored is not None and UNITS[unit].dimension != UNITS[stored].dimension:
        what = f"the unit {format_value(unit)} measures {UNITS[unit].dimension} and cannot become '{stored}'"
        return [place.problem("conflict", "unit", what, "correct the column's unit")]
    if stored is not None and is_constant and unit != stored:
        what = f"the unit of a constant is '{stored}', not {format_value(unit)}"
        return [place.problem("conflict", "unit", what, f"give the value in {stored}")]
    return []


def _unknown_unit(key: str, unit: str, place: ColumnPlace) -> Problem:
    remedy = suggestion(unit, UNITS) or f"use one of {', '.join(UNITS)}"
    return place.problem("wrong_value", key, f"the unit {format_value(unit)} is not known", remedy)


def _units(row: dict[str, Any], good: dict[str, Any], stored: str | None, place: ColumnPlace) -> list[Problem]:
    """Return the errors of the units of several columns, which must give the stored unit."""
    other = next((key for key in ("unit", "full_scale", "steps") if key in row), None)
    if other is not None:
        return [place.problem("conflict", "units", f"the column has 'units' and {key_shown(other)}", KEEP_ONE)]
    if "units" not in good:
        return []
    units, calculation = good["units"], good.get("combine", "mean")
    unknown = [u for u in units if u not in UNITS]
    if unknown:
        return [_unknown_unit("units", unknown[0], place)]
    what, remedy = "", "remove units"
    if stored is None:
        what = f"{key_shown(place.name)} has no unit"
    elif len(units) != _count(row):
        what, remedy = f"'units' has {len(units)} units, but 'from' names {_count(row)} columns", "give one per column"
    elif not _is_stored(units, calculation, stored):
        what = f"the {calculation} of {', '.join(units)} cannot become '{stored}'"
        remedy = "correct the units or the calculation"
    return [place.problem("conflict", "units", what, remedy)] if what else _offset(units, good, place)


def _is_stored(units: list[str], calculation: str, stored: str) -> bool:
    """Return True if a calculation with these units gives the dimension of the stored unit."""
    dimensions, wanted = [UNITS[u].dimension for u in units], UNITS[stored].dimension
    if calculation == "ratio":
        quotient = quotient_unit(units[0], units[-1])
        return len(units) == 2 and quotient is not None and UNITS[quotient].dimension == wanted
    if calculation == "scaled":
        return dimensions[0] == wanted and dimensions[1:-1] == dimensions[2:]
    return all(d == wanted for d in dimensions)


def _offset(units: list[str], good: dict[str, Any], place: ColumnPlace) -> list[Problem]:
    """Return an error for a calculation with temperatures whose zero is not that of the stored unit."""
    shifted = [u for u in units if UNITS[u].offset]
    if not shifted or good.get("combine") in {None, "mean", "first"}:
        return []
    what = f"a {good['combine']} of {format_value(shifted[0])} has no meaning"
    return [place.problem("conflict", "combine", what, "use the mean, or another column")]


def check_values(row: dict[str, Any], good: dict[str, Any], place: ColumnPlace) -> list[Problem]:
    """Return the errors of words, of the points of a machine scale and of the format of a time."""
    return [*_words(good, place), *_steps(good, place), *_time(row, good, place)]


def _words(good: dict[str, Any], place: ColumnPlace) -> list[Problem]:
    """Return the errors of words whose meaning does not fit the column."""
    if "words" not in good or place.column is None:
        return []
    if place.is_time:
        return [place.problem("conflict", "words", "'words' cannot be read as times", "remove words")]
    for word, meaning in good["words"].items():
        expected = _unfit_meaning(meaning, place)
        if expected:
            what = f"the meaning of {key_shown(word)} in 'words' is {format_value(meaning)}"
            return [place.problem("wrong_value", "words", what, f"give it {expected}")]
    return []


def _unfit_meaning(meaning: Any, place: ColumnPlace) -> str:
    """Return the expected meaning of a word; empty if the meaning fits the column."""
    if isinstance(place.column, dy.String):
        return "" if isinstance(meaning, str) else "a text in quotes"
    if place.is_flag and parse_flag(meaning, place.name) is not None:
        return ""
    if isinstance(place.column, dy.Bool):
        return "true or false"
    try:
        number = math.nan if isinstance(meaning, bool) else float(meaning)
    except ValueError:
        number = math.nan
    return "" if math.isfinite(number) else "a number"


def _steps(good: dict[str, Any], place: ColumnPlace) -> list[Problem]:
    """Return the errors of `steps`, the points of a machine's own scale."""
    points = []
    for key in good.get("steps", {}):
        try:
            points.append(float(key))
        except ValueError:
            points.append(math.nan)
    remedy = 'write it as steps = { "1" = 30.0, "9" = 70.0 }'
    if not all(math.isfinite(p) for p in points):
        return [place.problem("wrong_value", "steps", "'steps' contains a step that is not a number", remedy)]
    if len(set(points)) < len(points):
        return [place.problem("conflict", "steps", "'steps' contains the same step twice", remedy)]
    return []


def _time(row: dict[str, Any], good: dict[str, Any], place: ColumnPlace) -> list[Problem]:
    """Return the errors of the format and zone of a time that is read from the file."""
    is_read = any(key in row for key in (*READ, "file_name")) and not place.is_self_describing
    time_format = good.get("format")
    if not place.is_time:
        return []
    if time_format in SERIAL_FORMATS and ("value" in row or "lookup" in row):
        what = f"'format' is {format_value(time_format)}, which is a form of numbers in a file"
        return [place.problem("conflict", "format", what, "remove format, and write the time without quotes")]
    if not is_read or "lookup" in row:
        return []
    problems = []
    if time_format in SERIAL_FORMATS and any(key in row for key in ("preamble", "sheet_name", "file_name")):
        what = f"'format' is {format_value(time_format)}, which is a form of numbers in columns"
        problems.append(place.problem("conflict", "format", what, "give the form of the text"))
    if "format" not in row:
        remedy = 'add the format of the file, for example format = "%d.%m.%Y %H:%M"'
        problems.append(place.problem("missing_key", "format", "the format of the time is missing", remedy))
    if "time_zone" not in row and not place.has_zone and time_format not in ZONED_SERIALS:
        remedy = 'add the time zone of the file, for example time_zone = "UTC"'
        problems.append(place.problem("missing_key", "time_zone", "the time zone is missing", remedy))
    return problems
