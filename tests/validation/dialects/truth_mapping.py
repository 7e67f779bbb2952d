"""Mapping of an invented file written from its truth: the mapping of a person who knows everything about the file."""

import re
from typing import Any

from tests.validation.dialects.oracle import Source, TableTruth, constant_text, is_same_conversion, names_by_position
from tests.validation.dialects.truth import DialectFile, FileTable
from tests.validation.dialects.write_files import header_rows
from transforms.contracts.units import UNITS, stored_unit
from transforms.ingest.readers.text_layout import column_names


def table_truths(file: DialectFile) -> list[TableTruth]:
    """Return the truths of all kinds in a file, with the column names that its header gives."""
    out = []
    for table in file.tables:
        names = names_by_position(table, column_names(_names_only(table, file)))
        out += [TableTruth(file, table, truth, names) for truth in table.truths]
    return out


def _names_only(table: FileTable, file: DialectFile) -> list[list[str]]:
    rows = header_rows(table, file.style)
    return rows[:-1] if file.style.unit_place == "row" else rows


def mapping_table(truth: TableTruth) -> dict[str, Any]:
    """Return the mapping of one kind in a file, as the table of a TOML file."""
    file, style = truth.file, truth.file.style
    table: dict[str, Any] = {"kind": truth.truth.kind, "files": [file.name], "time_zone": truth.zone()}
    if file.form != "parquet":
        table["header_line"] = 1 + (len(file.preamble) if truth.table is file.tables[0] else 0)
        table["header_rows"] = len(_names_only(truth.table, file))
        table["unit_row"] = style.unit_place == "row"
    if file.total_word:
        table["totals"] = [file.total_word]
    if file.form == "sheet":
        table["sheet"] = truth.table.sheet[:31]
    if file.form == "delimited":
        marks = {"separator": style.separator, "decimal": style.decimal, "encoding": style.encoding}
        table.update(marks, **({"thousands": style.thousands} if style.thousands else {}))
    table["columns"] = {c: _row(c, s) for c, s in truth.sources.items()}
    if truth.truth.day:
        table["columns"]["logged_at"]["preamble"] = f"({re.escape(truth.truth.day)})"
    for column, constant in truth.truth.constants.items():
        table["columns"][column] = _constant(column, constant_text(constant.value))
    return table


def _constant(column: str, text: str) -> dict[str, Any]:
    return (
        {"value": text, "format": "%Y-%m-%dT%H:%M:%SZ", "time_zone": "UTC"}
        if column.endswith("_at")
        else {"value": text}
    )


def _row(column: str, sources: list[Source]) -> dict[str, Any]:
    meaning = sources[0].meaning
    row: dict[str, Any] = {"from": [s.name for s in sources] if len(sources) > 1 else sources[0].name}
    if meaning.format is not None:
        form = "%Y-%m-%d %H:%M:%S" if meaning.format == "native" else meaning.format
        row |= {"format": form, "time_zone": meaning.zone}
    elif meaning.words is not None:
        row["words"] = {k: v for k, v in meaning.words.items() if k}
    elif meaning.full_scale is not None:
        row |= {"unit": "pct", "full_scale": meaning.full_scale}
    elif stored_unit(column) is not None:
        row["unit"] = next((u for u in UNITS if is_same_conversion(u, column, meaning)), "?")
    return row
