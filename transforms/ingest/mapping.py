"""Mappings from the columns of a file to the columns of a table, with units, decimal mark and time zone."""

import datetime as dt
import hashlib
import re
from dataclasses import dataclass, field, replace
from fnmatch import fnmatch
from pathlib import Path

from transforms.config.earlier_names import first_name
from transforms.config.forms import SUFFIX_FORM

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
    """Mapping of one kind of export, from a TOML file in the `mappings/` folder of the workspace.

    Attributes `renamed`: (earlier name, present name) of each column that the file calls by an earlier name. The other
    attributes are the keys of the file.
    """

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
    renamed: tuple[tuple[str, str], ...] = ()

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
        """Return a hash of everything that affects how rows are read; if it changes, files are read again.

        A column counts by its first name, so that a renamed column alone makes no file be read again.
        """
        content = {k: v for k, v in vars(self).items() if k not in {"name", "files", "renamed"}}
        content["columns"] = tuple(replace(c, column=first_name(self.kind, c.column)) for c in self.columns)
        return hashlib.sha256(repr(sorted(content.items())).encode()).hexdigest()


def original_name(file_name: str) -> str:
    """Return a file name without the corrections prefix and without the number that distinguishes equal names."""
    return _CORRECTIONS_MARK.sub("", file_name)
