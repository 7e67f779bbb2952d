"""Validation of a mapping file: each table, and the rules between keys, columns and the kind of file."""

import math
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import PurePath
from typing import Any

import dataframely as dy

from transforms.config.constants import UnfitConstantError, parse_constant
from transforms.config.earlier_names import EARLIER_NAMES, present_names
from transforms.config.forms import SELF_DESCRIBING, SUFFIX_FORM
from transforms.config.mapping_tables import ColumnTable, DatedTable, MappingTable
from transforms.config.problems import Problem, format_value, key_shown, suggestion, table_shown
from transforms.config.settings_catalogue import Catalogue
from transforms.config.tables import check_table
from transforms.contracts.required_columns import needed_columns, unmet_groups
from transforms.contracts.source_tables import contract
from transforms.contracts.units import UNITS, stored_unit

GIVEN_BY = ("from", "value", "file_name")


@dataclass(frozen=True)
class ColumnPlace:
    """A column of a mapping, with the context that its checks need.

    Attributes:
        name: the table's column.
        column: its contract; None if the kind of file is unknown.
        form: the file format; None if the file name decides.
        zone: the mapping's time zone.
        has_zone: True if the mapping has a `time_zone` key, valid or not.
        where: the mapping file and the table in it, for messages.
    """

    name: str
    column: dy.Column | None
    form: str | None
    zone: str | None
    has_zone: bool
    where: str


def check_mapping(
    table: dict[str, Any], own_columns: dict[str, dict[str, Any]], catalogue: Catalogue, where: str
) -> list[Problem]:
    """Return every error of a mapping.

    Args:
        table: the content of the mapping file.
        own_columns: the columns that the file format itself defines.
        catalogue: the machine settings of the workspace.
        where: the mapping file, for messages.
    """
    good, problems = check_table(MappingTable, table, where)
    if not {"decimal", "separator", "thousands"} & (table.keys() - good.keys()):
        problems += _marks(good, where)
    if "dated" in good:
        problems += check_table(DatedTable, good["dated"], f"{where} [dated]")[1]
    kind, form = good.get("kind"), good.get("form")
    columns = {**own_columns, **good.get("columns", {})}
    present = present_names(kind, columns)
    schema = None if kind is None else contract(kind, catalogue).columns()
    if kind is not None and "columns" not in table.keys() - good.keys():
        problems += _missing_columns(contract(kind, catalogue), present.values(), where)
        problems += _missing_groups(kind, present.values(), where)
    for written, row in columns.items():
        name = present[written]
        place = ColumnPlace(
            name=name,
            column=(schema or {}).get(name),
            form=form,
            zone=good.get("time_zone"),
            has_zone="time_zone" in table,
            where=f"{where} {table_shown('columns', written)}",
        )
        if schema is not None and name not in schema:
            problems.append(_unknown_column(name, kind, schema, where))
        problems += check_column(row, place)
    return problems


def _unknown_column(name: str, kind: str, schema: Collection[str], where: str) -> Problem:
    renamed = EARLIER_NAMES.get(kind, {}).get(name)
    if renamed is not None:
        what = f"{key_shown(name)} is now called {key_shown(renamed)}, which is there too"
        return Problem("unknown_key", name, what, where, f"remove [columns.{name}]")
    remedy = suggestion(name, schema) or f"use one of {', '.join(schema)}"
    return Problem("unknown_key", name, f"{key_shown(name)} is not a column of {kind}", where, remedy)


def _missing_columns(schema: type[dy.Schema], columns: Collection[str], where: str) -> list[Problem]:
    return [
        Problem("missing_key", n, f"the column {key_shown(n)} is missing", where, f"add [columns.{n}]")
        for n in needed_columns(schema)
        if n not in columns
    ]


def _missing_groups(kind: str, columns: Collection[str], where: str) -> list[Problem]:
    """Return an error for each group of alternatives of which the mapping defines none whole."""
    problems = []
    for group in unmet_groups(kind, columns):
        remedy = f"add one of {', '.join(' + '.join(alternative) for alternative in group)} to [columns]"
        problems.append(Problem("missing_key", group[0][0], "a column is missing", where, remedy))
    return problems


def _marks(good: dict[str, Any], where: str) -> list[Problem]:
    """Return an error for each mark that has two meanings."""
    decimal, separator, thousands = good.get("decimal", "."), good.get("separator", ","), good.get("thousands")
    problems = []
    if decimal == thousands:
        what = f"'thousands' is {format_value(thousands)}, which is also the decimal mark"
        problems.append(Problem("conflict", "thousands", what, where, "use a different character for each"))
    if decimal == separator and _is_delimited(good) and not good.get("quoted", False):
        what = f"'separator' is {format_value(separator)}, which is also the decimal mark"
        remedy = "use a different character for each, or add quoted = true if the file puts every such number in quotes"
        problems.append(Problem("conflict", "separator", what, where, remedy))
    return problems


def _is_delimited(good: dict[str, Any]) -> bool:
    form = good.get("form")
    suffixes = [PurePath(pattern).suffix.lower() for pattern in good.get("files", [])]
    return form == "delimited" or (form is None and any(s not in SUFFIX_FORM for s in suffixes))


def check_column(row: Any, place: ColumnPlace) -> list[Problem]:
    """Return every error of `[columns.NAME]`."""
    good, problems = check_table(ColumnTable, row, place.where)
    if not isinstance(row, dict):
        return problems
    given = [key for key in GIVEN_BY if key in row]
    if not given:
        what, remedy = "the column has no source", "add from, value or file_name"
        problems.append(Problem("missing_key", "from", what, place.where, remedy))
    elif len(given) > 1:
        what = f"the column has {' and '.join(key_shown(k) for k in given)}"
        problems.append(Problem("conflict", given[1], what, place.where, "keep one of them"))
    elif "value" in good:
        problems += _constant(good, place)
    return [*problems, *_unit(row, good, place), *_steps(good, place), *_time(row, place)]


def _constant(good: dict[str, Any], place: ColumnPlace) -> list[Problem]:
    if place.column is None:
        return []
    try:
        parse_constant(good["value"], place.column, good.get("time_zone") or place.zone, good.get("format"))
    except UnfitConstantError as problem:
        what = f"'value' is {format_value(good['value'])}"
        return [Problem("wrong_value", "value", what, place.where, f"give it {problem}")]
    return []


def _unit(row: dict[str, Any], good: dict[str, Any], place: ColumnPlace) -> list[Problem]:
    """Return the errors of the unit; it is required unless the file states it, and must fit the column."""
    unit = good.get("unit")
    if "full_scale" in row:
        what, remedy = "'full_scale' needs unit = \"pct\"", 'add unit = "pct", or remove full_scale'
        return [Problem("conflict", "full_scale", what, place.where, remedy)] if unit != "pct" else []
    stored = stored_unit(place.name)
    if unit is None:
        is_needed = "from" in row and stored is not None and "steps" not in row and place.form not in SELF_DESCRIBING
        remedy = f'add the unit of the file, for example unit = "{stored}"'
        missing = Problem("missing_key", "unit", "the unit is missing", place.where, remedy)
        return [missing] if is_needed and "unit" not in row else []
    return _known_unit(unit, stored, place, is_constant="value" in row)


def _known_unit(unit: str, stored: str | None, place: ColumnPlace, *, is_constant: bool) -> list[Problem]:
    if unit not in UNITS:
        remedy = suggestion(unit, UNITS) or f"use one of {', '.join(UNITS)}"
        return [Problem("wrong_value", "unit", f"the unit {format_value(unit)} is not known", place.where, remedy)]
    if stored is not None and UNITS[unit].dimension != UNITS[stored].dimension:
        what = f"the unit {format_value(unit)} measures {UNITS[unit].dimension} and cannot become '{stored}'"
        return [Problem("conflict", "unit", what, place.where, "correct the column's unit")]
    if stored is not None and is_constant and unit != stored:
        what = f"the unit of a constant is '{stored}', not {format_value(unit)}"
        return [Problem("conflict", "unit", what, place.where, f"give the value in {stored}")]
    return []


def _steps(good: dict[str, Any], place: ColumnPlace) -> list[Problem]:
    """Return the errors of `steps`, the points of a machine's own scale."""
    """Return the errors of `steps`, the points of a machine's own scale."""
    points = []
    for key in good.get("steps", {}):
        try:
            points.append(float(key))
        except ValueError:
            points.append(math.nan)
    remedy = 'write it as steps = { "1" = 30.0, "9" = 70.0 }'
    if not all(math.isfinite(p) for p in points):
        return [Problem("wrong_value", "steps", "'steps' contains a step that is not a number", place.where, remedy)]
    if len(set(points)) < len(points):
        return [Problem("conflict", "steps", "'steps' contains the same step twice", place.where, remedy)]
    return []


def _time(row: dict[str, Any], place: ColumnPlace) -> list[Problem]:
    is_read = "from" in row and place.form not in SELF_DESCRIBING
    problems = []
    if "file_name" in row and isinstance(place.column, (dy.Datetime, dy.Bool)):
        what = "a time or a flag cannot be read from the file name"
        remedy = "use from to read it from a column, or value to state it"
        problems.append(Problem("conflict", "file_name", what, place.where, remedy))
    if not (is_read and (isinstance(place.column, dy.Datetime) or place.name.endswith("_at"))):
        return problems
    if "format" not in row:
        remedy = 'add the format of the file, for example format = "%d.%m.%Y %H:%M"'
        problems.append(Problem("missing_key", "format", "the format of the time is missing", place.where, remedy))
    if "time_zone" not in row and not place.has_zone:
        remedy = 'add the time zone of the file, for example time_zone = "UTC"'
        problems.append(Problem("missing_key", "time_zone", "the time zone is missing", place.where, remedy))
    return problems
