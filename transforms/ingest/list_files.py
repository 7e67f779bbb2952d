"""Lookups from list files: values by key that an office keeps in a table of its own, beside the mappings.

A list becomes a part of the mapping, as if it were written there. So a changed list changes the mapping's fingerprint,
and the files that were read with it are read again.
"""

import datetime as dt
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import dataframely as dy
import polars as pl

from transforms.config.earlier_names import present_names
from transforms.config.forms import SUFFIX_FORM
from transforms.config.mapping_tables import ListTable
from transforms.config.problems import Problem, format_value, key_shown, table_shown
from transforms.config.settings_catalogue import Catalogue
from transforms.config.tables import MAX_ITEMS, check_table
from transforms.contracts.phrase import Phrase, phrase
from transforms.contracts.source_tables import CONTRACTS, contract
from transforms.contracts.units import conversion_factor, stored_unit
from transforms.errors import SourceFileError, WorkspaceError
from transforms.ingest.chunk import EMPTY_WORDS
from transforms.ingest.mapping import ColumnMapping, Mapping
from transforms.ingest.readers.delimited import open_delimited
from transforms.ingest.readers.workbook import open_sheets

LISTS = {"lookup_list": "lookup", "full_scale_list": "full_scale"}
"""Key of `[columns.NAME]` that names a list -> key that its values become."""


def with_lists(
    table: dict[str, Any], catalogue: Catalogue, where: str, folder: Path
) -> tuple[dict[str, Any], list[Problem]]:
    """Return a mapping with its lists written into it, and the errors of the lists.

    Args:
        table: content of the mapping file.
        catalogue: the machine settings of the workspace.
        where: the mapping file, for messages.
        folder: folder of the lists.
    """
    columns = table.get("columns")
    kind = table.get("kind")
    if not isinstance(columns, dict) or not isinstance(kind, str) or kind not in CONTRACTS:
        return table, []
    schema, present = contract(table["kind"], catalogue).columns(), present_names(table["kind"], columns)
    filled, problems = dict(columns), list[Problem]()
    for name, row in columns.items():
        for key in LISTS.keys() & row.keys() if isinstance(row, dict) else ():
            place = f"{where} {table_shown('columns', name)}"
            good, wrong = check_table(ListTable, row[key], f"{place} '{key}'")
            if LISTS[key] in row:
                what = phrase("only one of {names} is possible", names=f"'{LISTS[key]}', '{key}'")
                wrong.append(Problem("conflict", key, what, place, phrase("keep one of them")))
            if not wrong:
                reader = _ListReader(good, present[name], schema.get(present[name]), folder, place)
                values, wrong = reader.values()
                filled[name] = {**{k: v for k, v in filled[name].items() if k != key}, LISTS[key]: values}
            problems += wrong
    return {**table, "columns": filled}, problems


class _ListReader:
    """Reader of one list.

    Args:
        given: the valid keys of the list's table.
        name: the column of the mapping.
        column: its contract; None if the kind has no such column.
        folder: folder of the mapping.
        where: the mapping file and the column in it, for messages.
    """

    def __init__(self, given: dict[str, Any], name: str, column: dy.Column | None, folder: Path, where: str) -> None:
        self.given, self.name, self.column, self.where = given, name, column, where
        self.path = folder / given["file"]
        self.header = ""
        self.problems: list[Problem] = []

    def values(self) -> tuple[dict[str, Any], list[Problem]]:
        """Return key -> value, or key -> {date: value}, and the errors."""
        out: dict[str, Any] = {}
        for key, text, since in self._rows():
            value = self._value(text, key)
            if since is None:
                is_new = key not in out
                out.setdefault(key, value)
            else:
                dated = out.setdefault(key, {})
                is_new = isinstance(dated, dict) and since not in dated
                if is_new:
                    dated[since] = value
            if not is_new:
                what = phrase("{name} occurs twice in {file}", name=key_shown(key), file=self.given["file"])
                self._problem(self.given["key"], what, phrase("keep one row, or add a column of dates as 'since'"))
        if not out and not self.problems:
            what = phrase("{file} has no rows", file=self.given["file"])
            self._problem("file", what, phrase("add rows with a key and a value"))
        return out, self.problems[:MAX_ITEMS]

    def _problem(self, key: str, what: Phrase, remedy: Phrase) -> None:
        if not any(p.key == key and str(p.what) == str(what) for p in self.problems):
            self.problems.append(Problem("wrong_value", key, what, self.where, remedy))

    def _rows(self) -> list[tuple[str, str, str | None]]:
        """Return (key, value, date) of each row with a key and a value."""
        wanted = self._wanted()
        cells: list[tuple[str, ...]] = []
        try:
            for chunk in self._chunks():
                lacking = next((c for c in wanted if c not in chunk.columns), None)
                if lacking is not None:
                    what = phrase("{file} has no column {name}", file=self.given["file"], name=key_shown(lacking))
                    header = format_value(self.header.strip())
                    self._problem(lacking, what, phrase("use a column of its header, which is {header}", header=header))
                    return []
                cells += chunk.select(pl.col(c).cast(pl.String).fill_null("").str.strip_chars() for c in wanted).rows()
        except FileNotFoundError:
            what = phrase("{file} does not exist", file=self.given["file"])
            self._problem(
                "file", what, phrase("copy it into {folder}, or correct 'file'", folder=str(self.path.parent))
            )
        except (SourceFileError, WorkspaceError, OSError, UnicodeError) as problem:
            what = phrase("{file} cannot be read ({problem})", file=self.given["file"], problem=str(problem))
            self._problem("file", what, phrase("correct the file, or save it as UTF-8 text or as a workbook"))
        return [
            (key, value, self._date(since[0], key) if since and since[0] not in EMPTY_WORDS else None)
            for key, value, *since in cells
            if key not in EMPTY_WORDS and value not in EMPTY_WORDS
        ]

    def _wanted(self) -> list[str]:
        """Return the columns of the list that are read."""
        return [self.given[k] for k in ("key", "value", "since") if k in self.given]

    def _chunks(self) -> Iterator[pl.DataFrame]:
        """Yield the cells of the list as text."""
        if not self.path.is_file():
            raise FileNotFoundError
        layout = {k: self.given[k] for k in ("separator", "decimal", "encoding", "header_line") if k in self.given}
        sheets = (self.given["sheet"],) if "sheet" in self.given else ()
        columns = tuple(ColumnMapping(c, (c,), optional=True) for c in self._wanted())
        mapping = Mapping("list", "field", (self.path.name,), columns, sheets=sheets, **layout)
        is_sheet = SUFFIX_FORM.get(self.path.suffix.lower()) == "sheet"
        source = open_sheets(self.path, mapping) if is_sheet else open_delimited(self.path, mapping, set())
        self.header = source.header
        try:
            for read in source.pieces:
                yield read().cells
        finally:
            source.close()

    def _value(self, text: str, key: str) -> Any:
        """Return a value in the stored unit of its column; text if the column holds text, flags or times."""
        if not isinstance(self.column, (dy.Float64, dy.Int64)):
            return text
        try:
            return self._stored(float(text.replace(self.given.get("decimal", "."), ".")))
        except ValueError:
            self._unfit(self.given["value"], text, key, phrase("write a number, or set 'decimal'"))
            return 0.0

    def _unfit(self, column: str, text: str, key: str, remedy: Phrase) -> None:
        what = phrase(
            "{column} of {name} in {file} is {value}",
            column=key_shown(column),
            name=key_shown(key),
            file=self.given["file"],
            value=format_value(text),
        )
        self._problem(column, what, remedy)

    def _stored(self, number: float) -> float:
        unit, stored = self.given.get("unit"), stored_unit(self.name)
        if unit is None or stored is None:
            return number
        try:
            factor, offset = conversion_factor(unit, stored, where=self.where)
        except WorkspaceError:
            what = phrase("'unit' is {value}", value=format_value(unit))
            self._problem("unit", what, phrase("give it a unit of the same kind as {unit}", unit=stored))
            return number
        return number * factor + offset

    def _date(self, text: str, key: str) -> str:
        """Return a date in ISO 8601."""
        form = self.given.get("format")
        try:
            read = dt.datetime.fromisoformat(text) if form is None else dt.datetime.strptime(text, form)  # noqa: DTZ007
        except ValueError:
            self._unfit(self.given["since"], text, key, phrase("write a date, or set 'format'"))
            return "2000-01-01"
        return read.isoformat()
