"""Mappings from the columns of a file to the columns of a table, with units, decimal mark and time zone."""

import datetime as dt
import hashlib
import re
from dataclasses import dataclass, field
from fnmatch import fnmatch
from pathlib import Path
from typing import Any

import dataframely as dy

from transforms.config.constants import parse_constant
from transforms.config.forms import SUFFIX_FORM
from transforms.config.mapping_checks import check_mapping
from transforms.config.problems import ConfigError, Problem, raise_problems
from transforms.config.settings_catalogue import Catalogue
from transforms.config.toml_file import read_toml
from transforms.contracts.source_tables import contract
from transforms.errors import WorkspaceError

CORRECTIONS_PREFIX = "mended~"
"""Prefix of the name of a corrections file; the rest is the name of the file whose rows were rejected.

Inboxes contain files of such names, so it cannot change.
"""
_CORRECTIONS_MARK = re.compile(rf"^{CORRECTIONS_PREFIX}(?:\d+~~)?")

TOTALS = ("Total", "Totals", "Sum", "Summe", "Gesamt", "Somme", "Totaal", "Razem", "Celkem")


@dataclass(frozen=True)
class ColumnMapping:
    """Source and conversion of one column of a table.

    Attributes:
        column: column of the table.
        sources: columns of the file; numbers (left and right) are averaged, a date and a time of day are joined.
        unit: unit in the file; None for text and times.
        format: strptime format of a time.
        time_zone: time zone of a time without an offset.
        words: word in the file -> stored word.
        value: constant for data that is not in the file; times are in UTC.
        file_name: regular expression whose first group in the file name is the value.
        steps: points of (machine scale, stored unit), interpolated linearly.
        full_scale: value of 100 % in the stored unit, for a drive logged in percent.
        scale_by: `device` or `dictionary`: the scale used if the two disagree on a task-data value.
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
    """Date in a file name: a regular expression with one group, and a strptime format."""

    file_name: str
    format: str


@dataclass(frozen=True)
class Mapping:
    """Mapping of one kind of export, from a TOML file in the `mappings/` folder of the workspace."""

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

    def is_match(self, file_name: str) -> bool:
        """Return True if the mapping matches a file name."""
        return any(fnmatch(original_name(file_name), pattern) for pattern in self.files)

    def form_of(self, path: Path) -> str:
        """Return the format of a file: from the mapping, else from the file name."""
        if path.is_dir():
            return "iso11783"
        return self.form or SUFFIX_FORM.get(path.suffix.lower(), "delimited")

    def sources(self) -> list[str]:
        """Return the distinct columns of the file that the mapping reads."""
        return list(dict.fromkeys(s for c in self.columns for s in c.sources))

    def fingerprint(self) -> str:
        """Return a hash of everything that affects how rows are read; if it changes, files are read again."""
        content = {k: v for k, v in vars(self).items() if k not in {"name", "files"}}
        return hashlib.sha256(repr(sorted(content.items())).encode()).hexdigest()


def original_name(file_name: str) -> str:
    """Return a file name without the corrections prefix and without the number that distinguishes equal names."""
    return _CORRECTIONS_MARK.sub("", file_name)


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
        value=None if given is None else parse_constant(given, contract_of, column_zone, row.get("format")),
        file_name=row.get("file_name"),
        steps=tuple(sorted((float(k), float(v)) for k, v in row.get("steps", {}).items())),
        full_scale=row.get("full_scale"),
        scale_by=row.get("scale_by"),
    )


def parse_mapping(table: dict[str, Any], name: str, catalogue: Catalogue, where: str) -> Mapping:
    """Validate the table of a mapping and return the mapping.

    Args:
        table: content of the mapping file.
        name: name of the mapping.
        catalogue: the machine settings of the workspace.
        where: the mapping file, for messages.

    Raises:
        WorkspaceError: a key or value is invalid, or a column or unit is missing; all errors are listed.
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
"""Default columns of self-describing formats; the columns of a mapping override them."""


def read_mapping(path: Path, catalogue: Catalogue) -> Mapping:
    """Read and validate one mapping file.

    Raises:
        WorkspaceError: the file is not TOML, or a key or value is invalid; all errors are listed.
    """
    try:
        table = read_toml(path)
    except FileNotFoundError as problem:
        raise WorkspaceError(
            "the mapping does not exist", where=str(path), remedy="remove the link or name an existing file"
        ) from problem
    return parse_mapping(table, path.stem, catalogue, str(path))


def read_mappings(folder: Path, catalogue: Catalogue) -> list[Mapping]:
    """Read all mappings of a workspace, in order of name; hidden files, such as those of editors, are ignored.

    Raises:
        WorkspaceError: a mapping is invalid; the errors of all mappings are listed.
    """
    mappings, problems = [], list[Problem]()
    for path in sorted(p for p in folder.glob("*.toml") if not p.name.startswith(".")):
        try:
            mappings.append(read_mapping(path, catalogue))
        except ConfigError as problem:
            problems += problem.problems
    raise_problems(problems)
    return mappings
