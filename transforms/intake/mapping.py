"""A mapping: which column of a file becomes which column of a table, in what unit, decimal mark and time zone."""

import re
import tomllib
from dataclasses import dataclass
from fnmatch import fnmatch
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from transforms.catalogue import Catalogue
from transforms.contracts import CONTRACTS, contract
from transforms.errors import WorkspaceError
from transforms.units import factor_between, stored_unit

_COLUMN_KEYS = {"from", "unit", "format", "time_zone", "words", "value", "file_name"}
_FILE_KEYS = {"kind", "files", "separator", "decimal", "encoding", "unit_row", "header_line", "sheet", "time_zone",
              "columns"}  # fmt: skip


@dataclass(frozen=True)
class ColumnMapping:
    """How one column of a table is read.

    Attributes:
        column: the table's column.
        sources: the file's columns; the mean of several (left and right) is taken.
        unit: the unit the file is in, None for text and time.
        format: strptime format of a time.
        time_zone: zone of a time that carries none.
        words: the file's words -> ours.
        value: a constant, for what the file does not say.
        file_name: a regular expression whose first group, in the file's name, is the value.
    """

    column: str
    sources: tuple[str, ...] = ()
    unit: str | None = None
    format: str | None = None
    time_zone: str | None = None
    words: dict[str, str] | None = None
    value: str | None = None
    file_name: str | None = None


@dataclass(frozen=True)
class Mapping:
    """How one kind of export is read; a TOML file in the workspace's `mappings/`."""

    name: str
    kind: str
    files: tuple[str, ...]
    columns: tuple[ColumnMapping, ...]
    separator: str = ","
    decimal: str = "."
    encoding: str = "utf-8"
    header_line: int = 1
    unit_row: bool = False
    sheet: str | None = None

    def reads(self, file_name: str) -> bool:
        """Whether a file of this name is read by this mapping."""
        return any(fnmatch(file_name, pattern) for pattern in self.files)


def _zone(name: str | None, where: str) -> str | None:
    if name is not None:
        try:
            ZoneInfo(name)
        except (KeyError, ValueError) as problem:
            raise WorkspaceError(
                f"the time zone '{name}' is not known", where=where, mend="use an IANA name such as Europe/Prague"
            ) from problem
    return name


def _column(name: str, row: dict[str, Any], zone: str | None, where: str, temporal: bool) -> ColumnMapping:  # noqa: FBT001
    place = f"{where} [columns.{name}]"
    if unknown := set(row) - _COLUMN_KEYS:
        raise WorkspaceError(
            f"'{min(unknown)}' is not known", where=place, mend=f"use {', '.join(sorted(_COLUMN_KEYS))}"
        )
    sources = row.get("from", [])
    sources = tuple([sources] if isinstance(sources, str) else sources)
    if not sources and "value" not in row and "file_name" not in row:
        raise WorkspaceError("the column has no source", where=place, mend="give it from, value or file_name")
    unit, stored = row.get("unit"), stored_unit(name)
    if sources and stored and unit is None:
        raise WorkspaceError(
            "the unit is missing", where=place, mend=f'say which unit the file is in, for example unit = "{stored}"'
        )
    if unit is not None and stored is not None:
        factor_between(unit, stored, where=place)
    if "file_name" in row:
        try:
            re.compile(row["file_name"])
        except re.error as problem:
            raise WorkspaceError(f"file_name is no pattern ({problem})", where=place, mend="correct it") from problem
    column_zone = _zone(row.get("time_zone"), place) or zone
    if temporal and (column_zone is None or "format" not in row):
        raise WorkspaceError("a time needs a format and a zone", where=place, mend="give it format and time_zone")
    return ColumnMapping(name, sources, unit, row.get("format"), column_zone, row.get("words"), row.get("value"),
                         row.get("file_name"))  # fmt: skip


def read_mapping(path: Path, catalogue: Catalogue) -> Mapping:
    """Read and check one mapping file.

    Raises:
        WorkspaceError: it is not TOML, names an unknown kind, column, unit or zone, or leaves a unit out.
    """
    where = str(path)
    try:
        table = tomllib.loads(path.read_text("utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as problem:
        raise WorkspaceError(
            f"the mapping cannot be read ({problem})", where=where, mend="correct that line"
        ) from problem
    if unknown := set(table) - _FILE_KEYS:
        raise WorkspaceError(f"'{min(unknown)}' is not known", where=where, mend=f"use {', '.join(sorted(_FILE_KEYS))}")
    kind = table.get("kind")
    if kind not in CONTRACTS:
        raise WorkspaceError(f"kind is '{kind}'", where=where, mend=f"use one of {', '.join(CONTRACTS)}")
    if not table.get("files") or not table.get("columns"):
        raise WorkspaceError("files or columns are missing", where=where, mend="list the file names and the columns")
    known = contract(kind, catalogue).columns()
    for name in table["columns"]:
        if name not in known:
            raise WorkspaceError(f"'{name}' is no column of {kind}", where=where, mend=f"use one of {', '.join(known)}")
    missing = [n for n, c in known.items() if not c.nullable and n not in table["columns"]]
    if missing:
        raise WorkspaceError(f"{kind} needs the column '{missing[0]}'", where=where, mend=f"add [columns.{missing[0]}]")
    zone = _zone(table.get("time_zone"), where)
    columns = tuple(_column(n, row, zone, where, n.endswith("_at")) for n, row in table["columns"].items())
    return Mapping(
        name=path.stem, kind=kind, files=tuple(table["files"]), columns=columns,
        separator=table.get("separator", ","), decimal=table.get("decimal", "."),
        encoding=table.get("encoding", "utf-8"), header_line=int(table.get("header_line", 1)),
        unit_row=bool(table.get("unit_row", False)), sheet=table.get("sheet"),
    )  # fmt: skip


def read_mappings(folder: Path, catalogue: Catalogue) -> list[Mapping]:
    """Read every mapping of a workspace, in order of name."""
    return [read_mapping(path, catalogue) for path in sorted(folder.glob("*.toml"))]
