"""Reading and validation of mapping files."""

from pathlib import Path
from typing import Any

import dataframely as dy

from transforms.config.constants import parse_constant
from transforms.config.earlier_names import present_names
from transforms.config.lookups import parse_lookup
from transforms.config.mapping_checks import check_mapping
from transforms.config.problems import ConfigError, Problem, raise_problems
from transforms.config.settings_catalogue import Catalogue
from transforms.config.toml_file import read_toml
from transforms.contracts.required_columns import ONE_NEEDED, needed_columns
from transforms.contracts.source_tables import contract
from transforms.contracts.units import stored_unit
from transforms.errors import WorkspaceError
from transforms.ingest.list_files import with_lists
from transforms.ingest.mapping import TOTALS, ColumnMapping, Dated, Mapping


def _names(value: str | list[str]) -> tuple[str, ...]:
    return (value,) if isinstance(value, str) else tuple(value)


def _column(name: str, row: dict[str, Any], zone: str | None, contract_of: dy.Column) -> ColumnMapping:
    given, lookup = row.get("value"), row.get("lookup", {})
    return ColumnMapping(
        column=name,
        sources=_names(row.get("from", [])),
        combine=row.get("combine"),
        optional=row.get("optional", False),
        unit=row.get("unit") or (stored_unit(name) if "file_name" in row else None),
        units=tuple(row.get("units", ())),
        format=row.get("format"),
        time_zone=zone,
        words=row.get("words"),
        value=None if given is None else parse_constant(given, contract_of, zone, row.get("format")),
        file_name=row.get("file_name"),
        preamble=row.get("preamble"),
        sheet_name=row.get("sheet_name"),
        lookup=tuple(parse_lookup(lookup, contract_of, zone, row.get("format"))),
        by=row.get("by"),
        at=row.get("at"),
        steps=tuple(sorted((float(k), float(v)) for k, v in row.get("steps", {}).items())),
        full_scale=row.get("full_scale"),
        scale_by=row.get("scale_by"),
        for_all_files=row.get("for_all_files", False),
    )


def _zone(row: dict[str, Any], table: dict[str, Any], columns: dict[str, Any]) -> str | None:
    """Return the time zone of a column: its own, that of the mapping, or that of the time column `at`."""
    zone: str | None = (
        row.get("time_zone") or table.get("time_zone") or columns.get(row.get("at", ""), {}).get("time_zone")
    )
    return zone


def parse_mapping(
    table: dict[str, Any], name: str, catalogue: Catalogue, where: str, lists: Path | None = None
) -> Mapping:
    """Validate the table of a mapping and return the mapping.

    Args:
        table: content of the mapping file.
        name: name of the mapping.
        catalogue: the machine settings of the workspace.
        where: the mapping file, for messages.
        lists: folder of list files; by default that of the mapping file.

    Raises:
        WorkspaceError: a key or value is invalid, a column or unit is missing, or a list cannot be read; all errors are
            listed.
    """
    own_columns = OWN_COLUMNS.get(str(table.get("form")), {})
    table, problems = with_lists(table, catalogue, where, lists or Path(where).parent)
    raise_problems(problems)
    raise_problems(check_mapping(table, own_columns, catalogue, where))
    columns = {**own_columns, **table.get("columns", {})}
    present = present_names(table["kind"], columns)
    schema, dated = contract(table["kind"], catalogue).columns(), table.get("dated")
    needed = (
        *(((n,),) for n in needed_columns(contract(table["kind"], catalogue))),
        *ONE_NEEDED.get(table["kind"], ()),
    )
    return Mapping(
        name=name,
        kind=table["kind"],
        files=tuple(table["files"]),
        columns=tuple(
            _column(present[n], row, _zone(row, table, columns), schema[present[n]]) for n, row in columns.items()
        ),
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
        renamed=tuple((n, now) for n, now in present.items() if n != now),
        needed=needed,
    )


OWN_COLUMNS: dict[str, dict[str, dict[str, Any]]] = {
    "ghcn_daily": {
        "station_id": {"from": "station_id"},
        "day_at": {"from": "day_at"},
        "element": {"from": "element"},
        "value": {"from": "value"},
    },
    "gpx": {
        "truck_id": {"from": "track"},
        "logged_at": {"from": "time"},
        "lat_deg": {"from": "lat"},
        "lon_deg": {"from": "lon"},
        "speed_kmh": {"from": "speed"},
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


def read_mapping(path: Path, catalogue: Catalogue, lists: Path | None = None) -> Mapping:
    """Read and validate one mapping file.

    Args:
        path: the mapping file.
        catalogue: the machine settings of the workspace.
        lists: folder of list files; by default that of the mapping file.

    Raises:
        WorkspaceError: the file is not TOML, or a key or value is invalid; all errors are listed.
    """
    try:
        table = read_toml(path)
    except FileNotFoundError as problem:
        raise WorkspaceError(
            "the mapping does not exist", where=str(path), remedy="remove the link or name an existing file"
        ) from problem
    return parse_mapping(table, path.stem, catalogue, str(path), lists)


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
