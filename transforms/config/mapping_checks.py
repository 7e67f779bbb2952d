"""Validation of a mapping file: each table, and the rules between keys, columns and the kind of file."""

from collections.abc import Collection
from pathlib import PurePath
from typing import Any

import dataframely as dy

from transforms.config.earlier_names import EARLIER_NAMES, present_names
from transforms.config.forms import SUFFIX_FORM
from transforms.config.mapping_column import check_column
from transforms.config.mapping_place import ColumnPlace
from transforms.config.mapping_tables import DatedTable, MappingTable
from transforms.config.problems import Problem, format_value, key_shown, suggestion, table_shown
from transforms.config.settings_catalogue import Catalogue
from transforms.config.tables import check_table
from transforms.contracts.flag_words import is_flag
from transforms.contracts.phrase import phrase
from transforms.contracts.required_columns import needed_columns, unmet_groups
from transforms.contracts.source_tables import contract


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
    kind = good.get("kind")
    columns = {**own_columns, **good.get("columns", {})}
    present = present_names(kind, columns)
    schema = None if kind is None else contract(kind, catalogue).columns()
    if kind is not None and "columns" not in table.keys() - good.keys():
        problems += _missing_columns(contract(kind, catalogue), present.values(), where)
        problems += _missing_groups(kind, present.values(), where)
    needed = () if kind is None else needed_columns(contract(kind, catalogue))
    rows = {present[n]: (row, (schema or {}).get(present[n])) for n, row in columns.items() if isinstance(row, dict)}
    for written, row in columns.items():
        name = present[written]
        column = (schema or {}).get(name)
        place = ColumnPlace(
            name=name,
            column=column,
            is_flag=is_flag(name, column, catalogue),
            is_needed=name in needed,
            forms=_known_forms(good),
            header_line=good.get("header_line", 1),
            zone=good.get("time_zone"),
            has_zone="time_zone" in table,
            others={n: other for n, other in rows.items() if n != name},
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
    return "delimited" in _forms(good)


def _forms(good: dict[str, Any]) -> frozenset[str]:
    """Return the formats of the files that a mapping matches."""
    if good.get("form") is not None:
        return frozenset({good["form"]})
    return frozenset(SUFFIX_FORM.get(PurePath(p).suffix.lower(), "delimited") for p in good.get("files", []))


def _known_forms(good: dict[str, Any]) -> frozenset[str]:
    """Return the formats of the files that a mapping matches; empty if a pattern leaves the end of the name open."""
    is_open = any("*" in (PurePath(p).suffix or p[-1:]) for p in good.get("files", []))
    return frozenset() if is_open and good.get("form") is None else _forms(good)
