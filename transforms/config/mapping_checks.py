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
from transforms.contracts.phrase import phrase
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
        if kind is not None and schema is not None and name not in schema:
            problems.append(_unknown_column(name, kind, schema, where))
        problems += check_column(row, place)
    return problems


def _unknown_column(name: str, kind: str, schema: Collection[str], where: str) -> Problem:
    renamed = EARLIER_NAMES.get(kind, {}).get(name)
    if renamed is not None:
        what = phrase(
            "{name} is now called {present}, which is there too", name=key_shown(name), present=key_shown(renamed)
        )
        return Problem("unknown_key", name, what, where, phrase("remove {line}", line=f"[columns.{name}]"))
    remedy = suggestion(name, schema) or phrase("use one of {names}", names=", ".join(schema))
    what = phrase("{name} is not a column of {file_kind}", name=key_shown(name), file_kind=kind)
    return Problem("unknown_key", name, what, where, remedy)


def _missing_columns(schema: type[dy.Schema], columns: Collection[str], where: str) -> list[Problem]:
    return [
        Problem(
            "missing_key",
            n,
            phrase("the column {name} is missing", name=key_shown(n)),
            where,
            phrase("add {line}", line=f"[columns.{n}]"),
        )
        for n in needed_columns(schema)
        if n not in columns
    ]


def _missing_groups(kind: str, columns: Collection[str], where: str) -> list[Problem]:
    """Return an error for each group of alternatives of which the mapping defines none whole."""
    problems = []
    for group in unmet_groups(kind, columns):
        names = ", ".join(" + ".join(alternative) for alternative in group)
        remedy = phrase("add one of {names} to [columns]", names=names)
        problems.append(Problem("missing_key", group[0][0], phrase("a column is missing"), where, remedy))
    return problems


def _marks(good: dict[str, Any], where: str) -> list[Problem]:
    """Return an error for each mark that has two meanings."""
    decimal, separator, thousands = good.get("decimal", "."), good.get("separator", ","), good.get("thousands")
    problems = []
    if decimal == thousands:
        what = phrase("'thousands' is {value}, which is also the decimal mark", value=format_value(thousands))
        problems.append(Problem("conflict", "thousands", what, where, phrase("use a different character for each")))
    if decimal == separator and _is_delimited(good) and not good.get("quoted", False):
        what = phrase("'separator' is {value}, which is also the decimal mark", value=format_value(separator))
        remedy = phrase(
            "use a different character for each, or add quoted = true if the file puts every such number in quotes"
        )
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
        what, remedy = phrase("the column has no source"), phrase("add from, value or file_name")
        problems.append(Problem("missing_key", "from", what, place.where, remedy))
    elif len(given) > 1:
        what = phrase("the column has {names}", names=", ".join(key_shown(k) for k in given))
        problems.append(Problem("conflict", given[1], what, place.where, phrase("keep one of them")))
    elif "value" in good:
        problems += _constant(good, place)
    return [*problems, *_unit(row, good, place), *_steps(good, place), *_time(row, place)]


def _constant(good: dict[str, Any], place: ColumnPlace) -> list[Problem]:
    if place.column is None:
        return []
    try:
        parse_constant(good["value"], place.column, good.get("time_zone") or place.zone, good.get("format"))
    except UnfitConstantError as problem:
        what = phrase("'value' is {value}", value=format_value(good["value"]))
        remedy = phrase("give it {expected}", expected=problem.expected)
        return [Problem("wrong_value", "value", what, place.where, remedy)]
    return []


def _unit(row: dict[str, Any], good: dict[str, Any], place: ColumnPlace) -> list[Problem]:
    """Return the errors of the unit; it is required unless the file states it, and must fit the column."""
    unit = good.get("unit")
    if "full_scale" in row:
        what = phrase("'full_scale' needs unit = \"pct\"")
        remedy = phrase('add unit = "pct", or remove full_scale')
        return [Problem("conflict", "full_scale", what, place.where, remedy)] if unit != "pct" else []
    stored = stored_unit(place.name)
    if unit is None:
        is_needed = "from" in row and stored is not None and "steps" not in row and place.form not in SELF_DESCRIBING
        remedy = phrase("add the unit of the file, for example {line}", line=f'unit = "{stored}"')
        missing = Problem("missing_key", "unit", phrase("the unit is missing"), place.where, remedy)
        return [missing] if is_needed and "unit" not in row else []
    return _known_unit(unit, stored, place, is_constant="value" in row)


def _known_unit(unit: str, stored: str | None, place: ColumnPlace, *, is_constant: bool) -> list[Problem]:
    if unit not in UNITS:
        what = phrase("the unit {value} is not known", value=format_value(unit))
        remedy = suggestion(unit, UNITS) or phrase("use one of {names}", names=", ".join(UNITS))
        return [Problem("wrong_value", "unit", what, place.where, remedy)]
    if stored is not None and UNITS[unit].dimension != UNITS[stored].dimension:
        what = phrase(
            "the unit {value} measures {dimension} and cannot become '{unit}'",
            value=format_value(unit),
            dimension=UNITS[unit].dimension,
            unit=stored,
        )
        return [Problem("conflict", "unit", what, place.where, phrase("correct the column's unit"))]
    if stored is not None and is_constant and unit != stored:
        what = phrase("the unit of a constant is '{unit}', not {value}", unit=stored, value=format_value(unit))
        return [Problem("conflict", "unit", what, place.where, phrase("give the value in {unit}", unit=stored))]
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
    remedy = phrase("write it as {line}", line='steps = { "1" = 30.0, "9" = 70.0 }')
    if not all(math.isfinite(p) for p in points):
        what = phrase("'steps' contains a step that is not a number")
        return [Problem("wrong_value", "steps", what, place.where, remedy)]
    if len(set(points)) < len(points):
        return [Problem("conflict", "steps", phrase("'steps' contains the same step twice"), place.where, remedy)]
    return []


def _time(row: dict[str, Any], place: ColumnPlace) -> list[Problem]:
    is_read = "from" in row and place.form not in SELF_DESCRIBING
    problems = []
    if "file_name" in row and isinstance(place.column, (dy.Datetime, dy.Bool)):
        what = phrase("a time or a flag cannot be read from the file name")
        remedy = phrase("use from to read it from a column, or value to state it")
        problems.append(Problem("conflict", "file_name", what, place.where, remedy))
    if not (is_read and (isinstance(place.column, dy.Datetime) or place.name.endswith("_at"))):
        return problems
    if "format" not in row:
        what = phrase("the format of the time is missing")
        remedy = phrase("add the format of the file, for example {line}", line='format = "%d.%m.%Y %H:%M"')
        problems.append(Problem("missing_key", "format", what, place.where, remedy))
    if "time_zone" not in row and not place.has_zone:
        what = phrase("the time zone is missing")
        remedy = phrase("add the time zone of the file, for example {line}", line='time_zone = "UTC"')
        problems.append(Problem("missing_key", "time_zone", what, place.where, remedy))
    return problems
