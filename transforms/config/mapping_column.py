"""Validation of `[columns.NAME]` in a mapping: where its value comes from."""

from typing import Any

import dataframely as dy

from transforms.config.constants import UnfitConstantError, parse_constant
from transforms.config.forms import SERIAL_FORMATS
from transforms.config.lookups import has_dates, parse_lookup
from transforms.config.mapping_place import REMOVE, ColumnPlace
from transforms.config.mapping_tables import ColumnTable
from transforms.config.mapping_values import check_calculation, check_unit, check_values
from transforms.config.problems import Problem, format_value, key_shown
from transforms.config.tables import check_table
from transforms.contracts.phrase import Phrase, phrase

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
        return [place.only_one(given[0], "by")]
    if not given:
        what = phrase("the column has no source")
        return [
            place.problem("missing_key", "from", what, phrase("add from, value, file_name, preamble or sheet_name"))
        ]
    if len(given) > 1 and not is_day_and_time:
        what = phrase("the column has {names}", names=", ".join(key_shown(k) for k in given))
        return [place.problem("conflict", given[1], what, phrase("keep one of them"))]
    return _constant(good, place) if "value" in good and good.get("format") not in SERIAL_FORMATS else []


def _constant(good: dict[str, Any], place: ColumnPlace) -> list[Problem]:
    if place.column is None:
        return []
    try:
        parse_constant(good["value"], place.column, place.zone_of(good), good.get("format"))
    except UnfitConstantError as problem:
        what = phrase("'value' is {value}", value=format_value(good["value"]))
        return [place.problem("wrong_value", "value", what, phrase("give it {expected}", expected=problem.expected))]
    return []


def _given(row: dict[str, Any], place: ColumnPlace) -> list[Problem]:
    """Return the errors of values from lines above the header or from the name of the sheet."""
    problems = []
    has_lines = bool(place.forms & {"delimited", "sheet"}) or not place.forms
    if "preamble" in row and (place.header_line == 1 or not has_lines):
        what = phrase("'preamble' needs lines above the header, which the files do not have")
        remedy = phrase("set header_line to the line of the header, or use file_name or value")
        problems.append(place.problem("conflict", "preamble", what, remedy))
    if "sheet_name" in row and place.forms and "sheet" not in place.forms:
        what, remedy = phrase("'sheet_name' needs a workbook"), phrase("use file_name or value")
        problems.append(place.problem("conflict", "sheet_name", what, remedy))
    return problems


def _optional(row: dict[str, Any], good: dict[str, Any], place: ColumnPlace) -> list[Problem]:
    is_always_given = place.is_needed and "from" not in row and any(key in row for key in GIVEN)
    if not good.get("optional") or not ("value" in row or is_always_given):
        return []
    what = phrase("'optional' has no meaning for a constant, or a value that every file needs")
    return [place.problem("conflict", "optional", what, REMOVE)]


def _key_column(row: dict[str, Any], good: dict[str, Any], place: ColumnPlace) -> list[Problem]:
    """Return the errors of `by` and `at`, which name other columns of the mapping."""
    problems = []
    has_scales = isinstance(good.get("full_scale"), dict)
    if has_scales and "by" not in row:
        problems.append(_missing("by", place))
    if "by" in row and "lookup" not in row and not isinstance(row.get("full_scale"), dict):
        what = phrase("'by' needs values by key")
        remedy = phrase("add lookup, or full_scale as a table such as {line}", line="{ M01 = 28.0, M02 = 21.0 }")
        problems.append(place.problem("conflict", "by", what, remedy))
    if "by" in good:
        texts = _others(place, dy.String, without={"by"})
        expected = phrase("a text column of the mapping: {names}", names=", ".join(texts) or "–")
        problems += _not_among(good["by"], "by", texts, expected, place)
    if "at" in good:
        times = [n for n in _others(place, dy.Datetime, without={"lookup"}) if "from" in place.others[n][0]]
        expected = phrase("a time column of the mapping: {names}", names=", ".join(times) or "–")
        problems += _not_among(good["at"], "at", times, expected, place)
    return problems


def _others(place: ColumnPlace, kind: type[dy.Column], without: set[str]) -> list[str]:
    """Return the other columns of the mapping of one type, without those that have one of these keys."""
    return [n for n, (row, column) in place.others.items() if isinstance(column, kind) and not without & set(row)]


def _not_among(value: str, key: str, choices: list[str], expected: Phrase, place: ColumnPlace) -> list[Problem]:
    if value in choices:
        return []
    what = phrase("{name} is {value}", name=key_shown(key), value=format_value(value))
    return [place.problem("wrong_value", key, what, phrase("give it {expected}", expected=expected))]


def _missing(key: str, place: ColumnPlace) -> Problem:
    """Return the error for a key that another key of the column needs."""
    expected = Phrase(ColumnTable.model_fields[key].description or "")
    remedy = phrase("add it: {expected}", expected=expected)
    return place.problem("missing_key", key, phrase("{name} is missing", name=key_shown(key)), remedy)


def _lookup(row: dict[str, Any], good: dict[str, Any], place: ColumnPlace) -> list[Problem]:
    """Return the errors of `lookup`: its values have the type of the column, in its stored unit."""
    is_dated = "lookup" in good and has_dates(good["lookup"])
    problems = []
    if is_dated and "at" not in row:
        problems.append(_missing("at", place))
    if "at" in row and not is_dated and ("lookup" in good or "lookup" not in row):
        what = phrase("'at' needs a lookup whose values have dates")
        problems.append(place.problem("conflict", "at", what, REMOVE))
    excluded = [k for k in (*CONVERSIONS, "value", "combine") if k in row and (k, row[k]) != ("combine", "first")]
    if "lookup" in good:
        problems += [place.only_one(key, "lookup") for key in excluded]
    for key, value in good.get("lookup", {}).items():
        try:
            if place.column is not None:
                parse_lookup({key: value}, place.column, place.zone_of(good), good.get("format"))
        except UnfitConstantError as problem:
            problems.append(place.unfit_entry("lookup", key, value, problem.expected))
    return problems
