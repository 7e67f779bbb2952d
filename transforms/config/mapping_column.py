"""Validation of `[columns.NAME]` in a mapping: where its value comes from."""

from typing import Any

import dataframely as dy

from transforms.config.constants import UnfitConstantError, parse_constant
from transforms.config.forms import SERIAL_FORMATS
from transforms.config.lookups import has_dates, parse_lookup
from transforms.config.mapping_place import ColumnPlace
from transforms.config.mapping_tables import ColumnTable
from transforms.config.mapping_values import check_calculation, check_unit, check_values
from transforms.config.problems import Problem, format_value, key_shown
from transforms.config.tables import check_table

GIVEN = ("file_name", "preamble", "sheet_name")
"""Keys of a value that is given once for all rows of a file or sheet."""
GIVEN_BY = ("from", "value", *GIVEN)
CONVERSIONS = ("words", "steps", "unit", "units", "full_scale")
"""Keys that convert a value of the file; a lookup states its values instead."""


def check_column(row: Any, place: ColumnPlace) -> list[Problem]:
    """Return every error of `[columns.NAME]`."""
    good, problems = check_table(ColumnTable, row, place.where)
    if not isinstance(row, dict):
        return problems
    problems += _source(row, good, place)
    problems += _given(row, place)
    problems += _optional(row, good, place)
    problems += _key_column(row, good, place)
    problems += _lookup(row, good, place)
    return [
        *problems,
        *check_calculation(row, good, place),
        *check_unit(row, good, place),
        *check_values(row, good, place),
    ]


def _source(row: dict[str, Any], good: dict[str, Any], place: ColumnPlace) -> list[Problem]:
    """Return the errors of the keys that name the source of the value: one of them is needed."""
    given = [key for key in GIVEN_BY if key in row]
    is_day_and_time = place.is_time and len(given) == 2 and given[0] == "from" and given[1] in GIVEN
    if "lookup" in row and "by" in row:
        if not given:
            return []
        what = f"the column has {key_shown(given[0])} and 'by'"
        return [place.problem("conflict", given[0], what, "keep one of them; it gives the key of the lookup")]
    if not given:
        what = "the column has no source"
        return [place.problem("missing_key", "from", what, "add from, value, file_name, preamble or sheet_name")]
    if len(given) > 1 and not is_day_and_time:
        what = f"the column has {' and '.join(key_shown(k) for k in given)}"
        return [place.problem("conflict", given[1], what, "keep one of them")]
    return _constant(good, place) if "value" in good and good.get("format") not in SERIAL_FORMATS else []


def _constant(good: dict[str, Any], place: ColumnPlace) -> list[Problem]:
    if place.column is None:
        return []
    try:
        parse_constant(good["value"], place.column, place.zone_of(good), good.get("format"))
    except UnfitConstantError as problem:
        what = f"'value' is {format_value(good['value'])}"
        return [place.problem("wrong_value", "value", what, f"give it {problem}")]
    return []


def _given(row: dict[str, Any], place: ColumnPlace) -> list[Problem]:
    """Return the errors of values from lines above the header or from the name of the sheet."""
    problems = []
    if "preamble" in row and place.forms:
        if not place.forms & {"delimited", "sheet"}:
            what = "'preamble' needs lines above the header, which this format does not have"
            problems.append(place.problem("conflict", "preamble", what, "use file_name or value"))
        elif place.header_line == 1:
            what = "'preamble' needs lines above the header, but the header is line 1"
            problems.append(place.problem("conflict", "preamble", what, "set header_line to the line of the header"))
    if "sheet_name" in row and place.forms and "sheet" not in place.forms:
        what = "'sheet_name' needs a workbook"
        problems.append(place.problem("conflict", "sheet_name", what, 'use file_name, or set form = "sheet"'))
    return problems


def _optional(row: dict[str, Any], good: dict[str, Any], place: ColumnPlace) -> list[Problem]:
    if not good.get("optional"):
        return []
    if "value" in row:
        what = "'optional' has no meaning for a constant"
        return [place.problem("conflict", "optional", what, "remove it")]
    if place.is_needed and "from" not in row and any(key in row for key in GIVEN):
        what = f"every row needs {key_shown(place.name)}"
        return [place.problem("conflict", "optional", what, "remove optional")]
    return []


def _key_column(row: dict[str, Any], good: dict[str, Any], place: ColumnPlace) -> list[Problem]:
    """Return the errors of `by` and `at`, which name other columns of the mapping."""
    problems = []
    scales = good.get("full_scale")
    if isinstance(scales, dict) and "by" not in row:
        what = "'full_scale' is a table, but no column gives its key"
        problems.append(place.problem("missing_key", "by", what, 'add the column, such as by = "machine_id"'))
    if "by" in row and "lookup" not in row and not isinstance(row.get("full_scale"), dict):
        remedy = "add lookup, or full_scale as a table such as { M01 = 28.0, M02 = 21.0 }"
        problems.append(place.problem("conflict", "by", "'by' needs values by key", remedy))
    if "by" in good:
        other, contract = place.others.get(good["by"], (None, None))
        if other is None or "by" in other or "at" in other or not isinstance(contract, dy.String):
            what = f"'by' is {format_value(good['by'])}"
            choices = [
                n for n, (r, c) in place.others.items() if isinstance(c, dy.String) and not {"by", "at"} & set(r)
            ]
            problems.append(place.problem("wrong_value", "by", what, _one_of(choices, "a text column of the mapping")))
    if "at" in good:
        other, contract = place.others.get(good["at"], (None, None))
        if other is None or "from" not in other or "lookup" in other or not isinstance(contract, dy.Datetime):
            what = f"'at' is {format_value(good['at'])}"
            times = [n for n, (r, c) in place.others.items() if isinstance(c, dy.Datetime) and "from" in r]
            problems.append(place.problem("wrong_value", "at", what, _one_of(times, "a time column of the mapping")))
    return problems


def _one_of(choices: list[str], described: str) -> str:
    return f"give it {described}: {', '.join(choices)}" if choices else f"give it {described}; it has none"


def _lookup(row: dict[str, Any], good: dict[str, Any], place: ColumnPlace) -> list[Problem]:
    """Return the errors of `lookup`: its values have the type of the column, in its stored unit."""
    if "lookup" not in good:
        if "at" in row and "lookup" not in row:
            return [
                place.problem(
                    "conflict", "at", "'at' needs a lookup whose values have dates", "remove at, or add lookup"
                )
            ]
        return []
    problems = [
        place.problem("conflict", key, f"the column has 'lookup' and {key_shown(key)}", _remedy_of(key))
        for key in (*CONVERSIONS, "value", "combine")
        if key in row and not (key == "combine" and row[key] == "first")
    ]
    table = good["lookup"]
    if has_dates(table) and "at" not in row:
        what = "'lookup' has values with dates, but no column gives the time of a row"
        problems.append(place.problem("missing_key", "at", what, 'add the column, such as at = "logged_at"'))
    if not has_dates(table) and "at" in row:
        problems.append(place.problem("conflict", "at", "'at' needs a lookup whose values have dates", "remove at"))
    if place.column is None:
        return problems
    for key in table:
        try:
            parse_lookup({key: table[key]}, place.column, place.zone_of(good), good.get("format"))
        except UnfitConstantError as problem:
            what = f"the value of {key_shown(key)} in 'lookup' is {format_value(table[key])}"
            problems.append(place.problem("wrong_value", "lookup", what, f"give it {problem}"))
    return problems


def _remedy_of(key: str) -> str:
    return "remove it: the values of a lookup are in the stored unit" if key in CONVERSIONS else "keep one of them"
