"""Validation of `[columns.NAME]` in a mapping: calculation, unit, words, machine scale and time format."""

import math
from typing import Any

import dataframely as dy

from transforms.config.forms import SERIAL_FORMATS, ZONED_SERIALS
from transforms.config.mapping_place import REMOVE, ColumnPlace
from transforms.config.problems import Problem, format_value, key_shown, suggestion
from transforms.contracts.flag_words import parse_flag
from transforms.contracts.phrase import Phrase, phrase
from transforms.contracts.units import UNITS, quotient_unit, stored_unit

COLUMNS_OF = {"difference": 2, "ratio": 2, "scaled": 3}
"""Calculations of a fixed number of columns."""
NOT_AFTER = {"full_scale": ("ratio", "scaled"), "steps": ("sum", "difference", "ratio", "scaled")}
"""Keys -> calculations whose result they cannot convert."""
FIRST = 'combine = "first"'
READ = ("from", "preamble", "sheet_name")
"""Keys of a value in the unit of the file."""


def check_calculation(row: dict[str, Any], good: dict[str, Any], place: ColumnPlace) -> list[Problem]:
    """Return the errors of several columns and of their calculation."""
    n, calculation = _count(row), good.get("combine")
    if calculation is None:
        is_text = isinstance(place.column, (dy.String, dy.Bool))
        if n == 1 or not is_text or "combine" in row:
            return []
        what = phrase("'from' names {n} columns, of which one is read", n=n)
        return [place.problem("conflict", "from", what, phrase("name one, or add {line}", line=FIRST))]
    needed, value = COLUMNS_OF.get(calculation), format_value(calculation)
    if n == 1 or (needed is not None and n != needed):
        what = phrase("'combine' is {value}, but 'from' names {n} columns", value=value, n=n)
        remedy = phrase("name two or more columns") if needed is None else phrase("name {n} columns", n=needed)
        return [place.problem("conflict", "combine", what, remedy)]
    if calculation != "first" and place.column is not None and (place.is_time or not _is_number(place)):
        what = phrase("'combine' is {value}, but {name} is not a number", value=value, name=key_shown(place.name))
        return [place.problem("conflict", "combine", what, phrase("use {line}, or remove it", line=FIRST))]
    return [
        place.only_one(key, "combine")
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
        what = phrase("'full_scale' needs unit = \"pct\"")
        remedy = phrase('add unit = "pct", or remove full_scale')
        return [place.problem("conflict", "full_scale", what, remedy)] if unit != "pct" else []
    is_read = any(key in row for key in READ) and not place.is_self_describing
    is_needed = is_read and stored is not None and "steps" not in row and "lookup" not in row
    if good.get("combine") == "ratio" and stored is not None:
        what = phrase("a ratio needs the unit of each column")
        remedy = phrase("add {line}", line='units = ["kg", "m2"]')
        return [place.problem("conflict" if "unit" in row else "missing_key", "units", what, remedy)]
    if unit is None:
        remedy = phrase("add the unit of the file, for example {line}", line=f'unit = "{stored}"')
        missing = place.problem("missing_key", "unit", phrase("the unit is missing"), remedy)
        return [missing] if is_needed and "unit" not in row else []
    return _known_unit(unit, stored, place, is_constant="value" in row) or _offset([unit], good, place)


def _known_unit(unit: str, stored: str | None, place: ColumnPlace, *, is_constant: bool) -> list[Problem]:
    if unit not in UNITS:
        return [_unknown_unit("unit", unit, place)]
    if stored is not None and UNITS[unit].dimension != UNITS[stored].dimension:
        what = phrase(
            "the unit {value} measures {dimension} and cannot become '{unit}'",
            value=format_value(unit),
            dimension=UNITS[unit].dimension,
            unit=stored,
        )
        return [place.problem("conflict", "unit", what, phrase("correct the column's unit"))]
    if stored is not None and is_constant and unit != stored:
        what = phrase("the unit of a constant is '{unit}', not {value}", unit=stored, value=format_value(unit))
        return [place.problem("conflict", "unit", what, phrase("give the value in {unit}", unit=stored))]
    return []


def _unknown_unit(key: str, unit: str, place: ColumnPlace) -> Problem:
    what = phrase("the unit {value} is not known", value=format_value(unit))
    remedy = suggestion(unit, UNITS) or phrase("use one of {names}", names=", ".join(UNITS))
    return place.problem("wrong_value", key, what, remedy)


def _units(row: dict[str, Any], good: dict[str, Any], stored: str | None, place: ColumnPlace) -> list[Problem]:
    """Return the errors of the units of several columns, which must give the stored unit."""
    other = next((key for key in ("unit", "full_scale", "steps") if key in row), None)
    if other is not None:
        return [place.only_one("units", other)]
    units, n = good.get("units", []), _count(row)
    unknown = [u for u in units if u not in UNITS]
    if unknown:
        return [_unknown_unit("units", unknown[0], place)]
    if stored is None or not units:
        what = phrase("{name} has no unit", name=key_shown(place.name))
        return [place.problem("conflict", "units", what, REMOVE)] if units else []
    if len(units) != n:
        what = phrase("'units' has {units} units, but 'from' names {n} columns", units=len(units), n=n)
        return [place.problem("conflict", "units", what, phrase("give one unit per column"))]
    if not _is_stored(units, good.get("combine", "mean"), stored):
        return [_not_stored("units", units, good, place)]
    return _offset(units, good, place)


def _is_stored(units: list[str], calculation: str, stored: str) -> bool:
    """Return True if a calculation with these units gives the dimension of the stored unit."""
    dimensions, wanted = [UNITS[u].dimension for u in units], UNITS[stored].dimension
    if calculation == "ratio":
        quotient = quotient_unit(units[0], units[-1])
        return len(units) == 2 and quotient is not None and UNITS[quotient].dimension == wanted
    if calculation == "scaled":
        return dimensions[0] == wanted and dimensions[1:-1] == dimensions[2:]
    return all(d == wanted for d in dimensions)


def _not_stored(key: str, units: list[str], good: dict[str, Any], place: ColumnPlace) -> Problem:
    what = phrase(
        "'{value}' of {names} cannot become '{unit}'",
        value=good.get("combine", "mean"),
        names=", ".join(units),
        unit=stored_unit(place.name),
    )
    return place.problem("conflict", key, what, phrase("correct the units or the calculation"))


def _offset(units: list[str], good: dict[str, Any], place: ColumnPlace) -> list[Problem]:
    """Return an error for a calculation with temperatures whose zero is not that of the stored unit."""
    is_shifted = any(UNITS[u].offset for u in units) and good.get("combine") not in {None, "mean", "first"}
    return [_not_stored("combine", units, good, place)] if is_shifted else []


def check_values(row: dict[str, Any], good: dict[str, Any], place: ColumnPlace) -> list[Problem]:
    """Return the errors of words, of the points of a machine scale and of the format of a time."""
    return [*_words(good, place), *_steps(good, place), *_time(row, good, place)]


def _words(good: dict[str, Any], place: ColumnPlace) -> list[Problem]:
    """Return the errors of words whose meaning does not fit the column."""
    if "words" not in good or place.column is None:
        return []
    if place.is_time:
        return [place.problem("conflict", "words", phrase("'words' has no meaning for a time"), REMOVE)]
    for word, meaning in good["words"].items():
        expected = _unfit_meaning(meaning, place)
        if expected is not None:
            return [place.unfit_entry("words", word, meaning, expected)]
    return []


def _unfit_meaning(meaning: Any, place: ColumnPlace) -> Phrase | None:
    """Return the expected meaning of a word; None if the meaning fits the column."""
    if isinstance(place.column, dy.String):
        return None if isinstance(meaning, str) else phrase("a text in quotes")
    if place.is_flag and parse_flag(meaning, place.name) is not None:
        return None
    if isinstance(place.column, dy.Bool):
        return phrase("true or false")
    try:
        number = math.nan if isinstance(meaning, bool) else float(meaning)
    except ValueError:
        number = math.nan
    return None if math.isfinite(number) else phrase("a number")


def _steps(good: dict[str, Any], place: ColumnPlace) -> list[Problem]:
    """Return the errors of `steps`, the points of a machine's own scale."""
    points = []
    for key in good.get("steps", {}):
        try:
            points.append(float(key))
        except ValueError:
            points.append(math.nan)
    remedy = phrase("write it as {line}", line='steps = { "1" = 30.0, "9" = 70.0 }')
    if not all(math.isfinite(p) for p in points):
        what = phrase("'steps' contains a step that is not a number")
        return [place.problem("wrong_value", "steps", what, remedy)]
    if len(set(points)) < len(points):
        return [place.problem("conflict", "steps", phrase("'steps' contains the same step twice"), remedy)]
    return []


def _time(row: dict[str, Any], good: dict[str, Any], place: ColumnPlace) -> list[Problem]:
    """Return the errors of the format and zone of a time that is read from the file."""
    is_read = any(key in row for key in (*READ, "file_name")) and not place.is_self_describing
    time_format = good.get("format")
    if not place.is_time:
        return []
    problems = []
    if time_format in SERIAL_FORMATS and (
        "from" not in row or not {"preamble", "sheet_name", "file_name"}.isdisjoint(row)
    ):
        what = phrase("'format' is {value}, which is a form of numbers in columns", value=format_value(time_format))
        problems.append(place.problem("conflict", "format", what, phrase("give the form of the text, or remove it")))
    if not is_read or "lookup" in row:
        return problems
    if "format" not in row:
        what = phrase("the format of the time is missing")
        remedy = phrase("add the format of the file, for example {line}", line='format = "%d.%m.%Y %H:%M"')
        problems.append(place.problem("missing_key", "format", what, remedy))
    if "time_zone" not in row and not place.has_zone and time_format not in ZONED_SERIALS:
        what = phrase("the time zone is missing")
        remedy = phrase("add the time zone of the file, for example {line}", line='time_zone = "UTC"')
        problems.append(place.problem("missing_key", "time_zone", what, remedy))
    return problems
