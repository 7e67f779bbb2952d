"""A mapping: which column of a file becomes which column of a table, in what unit, decimal mark and time zone."""

import datetime as dt
import hashlib
import re
from dataclasses import dataclass, field
from fnmatch import fnmatch
from pathlib import Path
from typing import Any

import dataframely as dy

from transforms.config.constants import constant
from transforms.config.forms import SUFFIX_FORM
from transforms.config.mapping_checks import check_mapping
from transforms.config.problems import ConfigError, Problem, raise_problems
from transforms.config.settings_catalogue import Catalogue
from transforms.config.toml_file import read_toml
from transforms.contracts.source_tables import contract
from transforms.errors import WorkspaceError

MENDED = "mended~"
"""How the name of a file of mended rows begins; the rest is the name of the file the rows were rejected from."""
_MENDED_MARK = re.compile(r"^mended~(?:\d+~~)?")

TOTALS = ("Total", "Totals", "Sum", "Summe", "Gesamt", "Somme", "Totaal", "Razem", "Celkem")


@dataclass(frozen=True)
class ColumnMapping:
    """How one column of a table is read.

    Attributes:
        column: the table's column.
        sources: the file's columns; of numbers (left and right) the mean is taken, of a time (date, clock) the two.
        unit: the unit the file is in, None for text and time.
        format: strptime format of a time.
        time_zone: zone of a time that carries none.
        words: the file's words -> ours.
        value: a constant, for what the file does not say; a time in UTC.
        file_name: a regular expression whose first group, in the file's name, is the value.
        steps: the machine's own scale -> stored unit, linear between the points given.
        full_scale: what 100 % is in the stored unit, for a drive logged in percent.
        scale_by: `device` or `dictionary`: which of two scales that disagree a task-data value follows.
    """

    column: str
    sources: tuple[str, ...] = ()
    unit: str | None = None
    format: str | None = None
    time_zone: str | None = None
    words: dict[str, str] | None = None
    value: str | float | bool | dt.datetime | None = None
    file_name: str | None = None
    steps: tuple[tuple[float, float], ...] = ()
    full_scale: float | None = None
    scale_by: str | None = None


@dataclass(frozen=True)
class Dated:
    """Where a file's name says the day it was made: a regular expression with one group, and a strptime format."""

    file_name: str
    format: str


@dataclass(frozen=True)
class Mapping:
    """How one kind of export is read; a TOML file in the workspace's `mappings/`."""

    name: str
    kind: str
    files: tuple[str, ...]
    columns: tuple[ColumnMapping, ...]
    form: str | None = None
    separator: str = ","
    decimal: str = "."
    thousands: str | None = None
    encoding: str = "utf-8"
    header_line: int = 1
    header_rows: int = 1
    unit_row: bool = False
    sheets: tuple[str, ...] = ()
    totals: tuple[str, ...] = TOTALS
    dated: Dated | None = None
    time_zone: str | None = field(default=None)

    def reads(self, file_name: str) -> bool:
        """Whether a file of this name is read by this mapping."""
        return any(fnmatch(own_name(file_name), pattern) for pattern in self.files)

    def form_of(self, path: Path) -> str:
        """The form a file is read in: what the mapping says, else what the file's name says."""
        if path.is_dir():
            return "iso11783"
        return self.form or SUFFIX_FORM.get(path.suffix.lower(), "delimited")

    def sources(self) -> list[str]:
        """The file's columns this mapping reads, each once."""
        return list(dict.fromkeys(s for c in self.columns for s in c.sources))

    def fingerprint(self) -> str:
        """A hash of everything that decides how a row is read: when it changes, its files are read again."""
        how = {k: v for k, v in vars(self).items() if k not in {"name", "files"}}
        return hashlib.sha256(repr(sorted(how.items())).encode()).hexdigest()


def own_name(file_name: str) -> str:
    """A file's name without the mark of mended rows, and without the number that tells files of one name apart."""
    return _MENDED_MARK.sub("", file_name)


def _names(value: str | list[str]) -> tuple[str, ...]:
    return (value,) if isinstance(value, str) else tuple(value)


def _column(name: str, row: dict[str, Any], zone: str | None, contract_of: dy.Column) -> ColumnMapping:
    column_zone = row.get("time_zone") or zone
    given = row.get("value")
    return ColumnMapping(
        column=name,
        sources=_names(row.get("from", [])),
        unit=row.get("unit"),
        format=row.get("format"),
        time_zone=column_zone,
        words=row.get("words"),
        value=None if given is None else constant(given, contract_of, column_zone, row.get("format")),
        file_name=row.get("file_name"),
        steps=tuple(sorted((float(k), float(v)) for k, v in row.get("steps", {}).items())),
        full_scale=row.get("full_scale"),
        scale_by=row.get("scale_by"),
    )


def mapping_of(table: dict[str, Any], name: str, catalogue: Catalogue, where: str) -> Mapping:
    """Check a mapping's table and return what it says.

    Raises:
        WorkspaceError: a key or value cannot be, or a column or unit is missing; all errors are listed.
    """
    own_columns = OWN_COLUMNS.get(str(table.get("form")), {})
    raise_problems(check_mapping(table, own_columns, catalogue, where))
    columns = {**own_columns, **table.get("columns", {})}
    schema, dated = contract(table["kind"], catalogue).columns(), table.get("dated")
    return Mapping(
        name=name,
        kind=table["kind"],
        files=tuple(table["files"]),
        columns=tuple(_column(n, row, table.get("time_zone"), schema[n]) for n, row in columns.items()),
        form=table.get("form"),
        separator=table.get("separator", ","),
        decimal=table.get("decimal", "."),
        thousands=table.get("thousands"),
        encoding=table.get("encoding", "utf-8"),
        header_line=table.get("header_line", 1),
        header_rows=table.get("header_rows", 1),
        unit_row=table.get("unit_row", False),
        sheets=_names(table.get("sheet", [])),
        totals=tuple(table.get("totals", TOTALS)),
        dated=None if dated is None else Dated(dated["file_name"], dated["format"]),
        time_zone=table.get("time_zone"),
    )


OWN_COLUMNS: dict[str, dict[str, dict[str, Any]]] = {
    "ghcn_daily": {
        "station_id": {"from": "station_id"},
        "day_at": {"from": "day_at"},
        "element": {"from": "element"},
        "value": {"from": "value"},
    },
    "iso11783": {
        "machine_id": {"from": "device"},
        "logged_at": {"from": "time"},
        "lat_deg": {"from": "lat"},
        "lon_deg": {"from": "lon"},
        "work_state": {"from": "work state"},
        "sections_on_pct": {"from": "sections on"},
        "ground_speed_kmh": {"from": "ddi 397"},
        "share_depth_cm": {"from": "ddi 52"},
        "unloading": {"from": "unloading"},
        "load_number": {"from": "ddi 322"},
        "loaded_t": {"from": "ddi 320"},
        "unload_number": {"from": "ddi 323"},
        "unloaded_t": {"from": "ddi 321"},
    },
}
"""What forms that describe themselves give without being asked; a mapping's own columns stand above these."""


def read_mapping(path: Path, catalogue: Catalogue) -> Mapping:
    """Read and check one mapping file.

    Raises:
        WorkspaceError: it is not TOML, or a key or value in it cannot be; all errors are listed.
    """
    try:
        table = read_toml(path)
    except FileNotFoundError as problem:
        raise WorkspaceError(
            "there is no such mapping", where=str(path), remedy="remove the link or name a file that exists"
        ) from problem
    return mapping_of(table, path.stem, catalogue, str(path))


def read_mappings(folder: Path, catalogue: Catalogue) -> list[Mapping]:
    """Read every mapping of a workspace, in order of name; editors' hidden files are no mappings.

    Raises:
        WorkspaceError: a mapping is wrong; the errors of all mappings are listed.
    """
    mappings, problems = [], list[Problem]()
    for path in sorted(p for p in folder.glob("*.toml") if not p.name.startswith(".")):
        try:
            mappings.append(read_mapping(path, catalogue))
        except ConfigError as problem:
            problems += problem.problems
    raise_problems(problems)
    return mappings
