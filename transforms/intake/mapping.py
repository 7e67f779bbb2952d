"""A mapping: which column of a file becomes which column of a table, in what unit, decimal mark and time zone."""

import hashlib
import re
import tomllib
from dataclasses import dataclass, field
from fnmatch import fnmatch
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from transforms.catalogue import Catalogue
from transforms.contracts import CONTRACTS, contract, needed_columns
from transforms.errors import WorkspaceError
from transforms.intake.piece import MARK
from transforms.units import factor_between, stored_unit

FORMS = ("delimited", "sheet", "parquet", "geojson", "ghcn_daily", "iso11783")
SUFFIX_FORM = {
    ".xlsx": "sheet", ".parquet": "parquet", ".geojson": "geojson", ".json": "geojson", ".dly": "ghcn_daily",
    ".zip": "iso11783",
}  # fmt: skip
SELF_DESCRIBING = ("iso11783", "ghcn_daily")
"""Forms that say their own columns, units and times; a mapping of one may leave `columns` out."""
MENDED = "mended~"
"""How the name of a file of mended rows begins; the rest is the name of the file the rows were rejected from."""
_MENDED_MARK = re.compile(r"^mended~(?:\d+~~)?")

_COLUMN_KEYS = {"from", "unit", "format", "time_zone", "words", "value", "file_name", "steps", "full_scale",
                "scale_by"}  # fmt: skip
_FILE_KEYS = {"kind", "files", "form", "separator", "decimal", "thousands", "encoding", "unit_row", "header_line",
              "header_rows", "sheet", "totals", "dated", "time_zone", "columns"}  # fmt: skip
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
        value: a constant, for what the file does not say.
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
    value: str | None = None
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


def _zone(name: str | None, where: str) -> str | None:
    if name is not None:
        try:
            ZoneInfo(name)
        except (KeyError, ValueError, OSError) as problem:
            raise WorkspaceError(
                f"the time zone '{name}' is not known", where=where, mend="use an IANA name such as Europe/Prague"
            ) from problem
    return name


def _pattern(text: str, what: str, where: str) -> str:
    try:
        re.compile(text)
    except re.error as problem:
        raise WorkspaceError(f"{what} is no pattern ({problem})", where=where, mend="correct it") from problem
    return text


def _steps(row: dict[str, Any], where: str) -> tuple[tuple[float, float], ...]:
    try:
        points = sorted((float(k), float(v)) for k, v in row.get("steps", {}).items())
    except (TypeError, ValueError, AttributeError) as problem:
        raise WorkspaceError(
            "steps is no table of numbers", where=where, mend='write it as steps = { "1" = 30.0, "9" = 70.0 }'
        ) from problem
    if len(points) == 1:
        raise WorkspaceError("steps has one point", where=where, mend="give at least the lowest and the highest")
    return tuple(points)


def _unit(name: str, row: dict[str, Any], form: str | None, where: str) -> str | None:
    """The unit the file is in: it must be said where the file itself does not, and must fit the column."""
    unit, stored = row.get("unit"), stored_unit(name)
    said = unit is not None or "steps" in row or form in SELF_DESCRIBING
    if row.get("from") and stored and not said:
        raise WorkspaceError(
            "the unit is missing", where=where, mend=f'say which unit the file is in, for example unit = "{stored}"'
        )
    if "full_scale" in row:
        if unit != "pct" or not isinstance(row["full_scale"], (int, float)):
            raise WorkspaceError(
                'full_scale is not a number beside unit = "pct"', where=where,
                mend=f"give what 100 % is, in {stored}, and the unit pct",
            )  # fmt: skip
    elif unit is not None and stored is not None:
        factor_between(unit, stored, where=where)
    return unit


def _column(name: str, row: dict[str, Any], zone: str | None, form: str | None, where: str) -> ColumnMapping:
    place = f"{where} [columns.{name}]"
    if unknown := set(row) - _COLUMN_KEYS:
        raise WorkspaceError(
            f"'{min(unknown)}' is not known", where=place, mend=f"use {', '.join(sorted(_COLUMN_KEYS))}"
        )
    sources = row.get("from", [])
    sources = tuple(dict.fromkeys([sources] if isinstance(sources, str) else sources))
    if not sources and "value" not in row and "file_name" not in row:
        raise WorkspaceError("the column has no source", where=place, mend="give it from, value or file_name")
    if any(MARK in s for s in sources):
        raise WorkspaceError("a source holds a control character", where=place, mend="rename the file's column")
    if "file_name" in row:
        _pattern(row["file_name"], "file_name", place)
    if row.get("scale_by") not in {None, "device", "dictionary"}:
        raise WorkspaceError(f"scale_by is '{row['scale_by']}'", where=place, mend="use device or dictionary")
    column_zone = _zone(row.get("time_zone"), place) or zone
    if name.endswith("_at") and form not in SELF_DESCRIBING and (column_zone is None or "format" not in row):
        raise WorkspaceError("a time needs a format and a zone", where=place, mend="give it format and time_zone")
    return ColumnMapping(
        name, sources, _unit(name, row, form, place), row.get("format"), column_zone, row.get("words"),
        row.get("value"), row.get("file_name"), _steps(row, place), row.get("full_scale"), row.get("scale_by"),
    )  # fmt: skip


def _dated(table: dict[str, Any], where: str) -> Dated | None:
    row = table.get("dated")
    if row is None:
        return None
    if not isinstance(row, dict) or set(row) != {"file_name", "format"}:
        raise WorkspaceError("dated is incomplete", where=where, mend="give it file_name and format")
    return Dated(_pattern(row["file_name"], "dated.file_name", where), row["format"])


def _known_columns(kind: str, columns: dict[str, Any], catalogue: Catalogue, where: str) -> None:
    schema = contract(kind, catalogue)
    for name in columns:
        if name not in schema.columns():
            raise WorkspaceError(
                f"'{name}' is no column of {kind}", where=where, mend=f"use one of {', '.join(schema.columns())}"
            )
    missing = [n for n in needed_columns(schema) if n not in columns]
    if missing:
        raise WorkspaceError(f"{kind} needs the column '{missing[0]}'", where=where, mend=f"add [columns.{missing[0]}]")


def mapping_of(table: dict[str, Any], name: str, catalogue: Catalogue, where: str) -> Mapping:
    """Check a mapping's table and return what it says.

    Raises:
        WorkspaceError: it names an unknown kind, form, column, unit or zone, or leaves a unit out.
    """
    if unknown := set(table) - _FILE_KEYS:
        raise WorkspaceError(f"'{min(unknown)}' is not known", where=where, mend=f"use {', '.join(sorted(_FILE_KEYS))}")
    kind, form = table.get("kind"), table.get("form")
    if kind not in CONTRACTS:
        raise WorkspaceError(f"kind is '{kind}'", where=where, mend=f"use one of {', '.join(CONTRACTS)}")
    if form is not None and form not in FORMS:
        raise WorkspaceError(f"form is '{form}'", where=where, mend=f"use one of {', '.join(FORMS)}")
    columns = {**OWN_COLUMNS.get(form or "", {}), **table.get("columns", {})}
    if not table.get("files") or not columns:
        raise WorkspaceError("files or columns are missing", where=where, mend="list the file names and the columns")
    _known_columns(kind, columns, catalogue, where)
    zone = _zone(table.get("time_zone"), where)
    sheets = table.get("sheet", ())
    return Mapping(
        name=name, kind=kind, files=tuple(table["files"]), form=form,
        columns=tuple(_column(n, row, zone, form, where) for n, row in columns.items()),
        separator=table.get("separator", ","), decimal=table.get("decimal", "."), thousands=table.get("thousands"),
        encoding=table.get("encoding", "utf-8"), header_line=int(table.get("header_line", 1)),
        header_rows=int(table.get("header_rows", 1)), unit_row=bool(table.get("unit_row", False)),
        sheets=(sheets,) if isinstance(sheets, str) else tuple(sheets), totals=tuple(table.get("totals", TOTALS)),
        dated=_dated(table, where), time_zone=zone,
    )  # fmt: skip


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
        WorkspaceError: it is not TOML, names an unknown kind, column, unit or zone, or leaves a unit out.
    """
    where = str(path)
    try:
        table = tomllib.loads(path.read_text("utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as problem:
        raise WorkspaceError(
            f"the mapping cannot be read ({problem})", where=where, mend="correct that line"
        ) from problem
    return mapping_of(table, path.stem, catalogue, where)


def read_mappings(folder: Path, catalogue: Catalogue) -> list[Mapping]:
    """Read every mapping of a workspace, in order of name."""
    return [read_mapping(path, catalogue) for path in sorted(folder.glob("*.toml"))]
