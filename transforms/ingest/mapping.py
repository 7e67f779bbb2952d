"""Mappings from the columns of a file to the columns of a table, with units, decimal mark and time zone."""

import datetime as dt
import hashlib
import re
from collections.abc import Collection
from dataclasses import dataclass, field, fields, replace
from fnmatch import fnmatch
from functools import cached_property
from pathlib import Path

from transforms.config.earlier_names import first_name
from transforms.config.forms import SUFFIX_FORM
from transforms.config.lookups import LookupValue
from transforms.contracts.harvest_checks import Alternatives

CORRECTIONS_PREFIX = "mended~"
"""Prefix of the name of a corrections file; the rest is the name of the file whose rows were rejected.

Inboxes contain files of such names, so it cannot change.
"""
_CORRECTIONS_MARK = re.compile(rf"^{CORRECTIONS_PREFIX}(?:\d+~~)?")

TOTALS = (
    *("Total", "Totals", "Sum", "Summe", "Gesamt", "Somme", "Totaal", "Razem", "Celkem"),
    *("Summa", "Totalt", "Totale", "Итого"),
)


@dataclass(frozen=True)
class ColumnMapping:
    """Source and conversion of one column of a table.

    Attributes:
        column: column of the table.
        sources: columns of the file; numbers (left and right) are averaged, a date and a time of day are joined.
        combine: calculation of a number from several sources: `mean`, `sum`, `difference`, `ratio` or `scaled`; `first`
            is the first filled source, of any type.
        optional: a file without the sources, or a row without its key in `lookup`, leaves the column empty.
        unit: unit in the file; None for text and times.
        units: unit of each source, if they differ.
        format: strptime format of a time, or one of `SERIAL_FORMATS`.
        time_zone: time zone of a time without an offset.
        words: word in the file -> stored word, or number in the unit of the file; the empty word is an empty cell.
        value: constant for data that is not in the file; times are in UTC.
        file_name: regular expression whose first group in the file name is the value.
        preamble: regular expression whose first group in a line above the header is the value.
        sheet_name: regular expression whose first group in the sheet name is the value.
        lookup: values by key; empty if the column has none.
        by: column of the mapping that contains the key of `lookup` or `full_scale`; None for the column's own value.
        at: time column of the mapping that selects among dated values of `lookup`.
        steps: points of (machine scale, stored unit), interpolated linearly.
        full_scale: value of 100 % in the stored unit, for a drive logged in percent, or these values by key.
        scale_by: `device` or `dictionary`: the scale used if the two disagree on a task-data value.
        for_all_files: a constant id is that of every file of the mapping, whatever its name.

    Attributes without a `repr` are part of a fingerprint only if they are used, so that the fingerprints of mappings
    without them stay the same.
    """

    column: str
    sources: tuple[str, ...] = ()
    combine: str | None = field(default=None, repr=False)
    optional: bool = field(default=False, repr=False)
    unit: str | None = None
    units: tuple[str, ...] = field(default=(), repr=False)
    format: str | None = None
    time_zone: str | None = None
    words: dict[str, str | float] | None = None
    value: str | float | bool | dt.datetime | None = None
    file_name: str | None = None
    preamble: str | None = field(default=None, repr=False)
    sheet_name: str | None = field(default=None, repr=False)
    lookup: tuple[LookupValue, ...] = field(default=(), repr=False)
    by: str | None = field(default=None, repr=False)
    at: str | None = field(default=None, repr=False)
    steps: tuple[tuple[float, float], ...] = ()
    full_scale: float | dict[str, float] | None = None
    scale_by: str | None = None
    for_all_files: bool = field(default=False, repr=False)

    @property
    def is_given(self) -> bool:
        """True if the file name, the lines above the header or the sheet name contain a part of the value."""
        return not (self.file_name is None and self.preamble is None and self.sheet_name is None)

    def found_sources(self, present: Collection[str]) -> tuple[str, ...] | None:
        """Return the sources among the columns of a file; None if the column cannot be read from them."""
        found = tuple(s for s in self.sources if s in present)
        is_mean = self.combine in {None, "mean"} and self.format is None
        is_partial = self.optional and (is_mean or self.combine == "first")
        return found if found == self.sources or (found and is_partial) else None

    @property
    def used(self) -> str:
        """The attributes that are used but not in `repr`, as text."""
        return "".join(
            f", {f.name}={v!r}" for f in fields(self) if not f.repr and (v := getattr(self, f.name)) != f.default
        )


@dataclass(frozen=True)
class Dated:
    """Date in a file name: a regular expression with one group, and a strptime format."""

    file_name: str
    format: str


@dataclass(frozen=True)
class Mapping:
    """Mapping of one kind of export, from a TOML file in the `mappings/` folder of the workspace.

    Attributes:
        renamed: (earlier name, present name) of each column that the file calls by an earlier name.
        needed: groups of alternatives; a file must provide all columns of one alternative of each group.

    The other attributes are the keys of the file.
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
    needed: tuple[Alternatives, ...] = ()

    def is_match(self, file_name: str) -> bool:
        """Return True if the mapping matches a file name."""
        return bool(self.matching_patterns(file_name))

    def matching_patterns(self, file_name: str) -> list[str]:
        """Return the patterns of the mapping that match a file name."""
        return [pattern for pattern in self.files if fnmatch(original_name(file_name), pattern)]

    def form_of(self, path: Path) -> str:
        """Return the format of a file: from the mapping, else from the file name."""
        if path.is_dir():
            return "iso11783"
        return self.form or SUFFIX_FORM.get(path.suffix.lower(), "delimited")

    def sources(self) -> list[str]:
        """Return the distinct columns of the file that the mapping reads."""
        return list(dict.fromkeys(s for c in self.columns for s in c.sources))

    def missing_sources(self, present: Collection[str]) -> list[str]:
        """Return the columns that a file lacks: the first needed one, or all optional ones of a value that is needed.

        Args:
            present: columns of the file.
        """
        unread = {c.column: c for c in self.columns if c.found_sources(present) is None}
        for column in unread.values():
            if not column.optional:
                return [next(s for s in column.sources if s not in present)]
        provided = {c.column for c in self.columns} - unread.keys()
        for group in self.needed:
            if not any(set(alternative) <= provided for alternative in group):
                names = dict.fromkeys(n for alternative in group for n in alternative if n in unread)
                return [s for n in names for s in unread[n].sources if s not in present]
        return []

    def fingerprint(self) -> str:
        """Return a hash of everything that affects how rows are read; if it changes, files are read again.

        A column counts by its first name, so that a renamed column alone makes no file be read again.
        """
        return self._fingerprint

    @cached_property
    def _fingerprint(self) -> str:
        apart = {"name", "files", "renamed", "needed"}
        content = {f.name: getattr(self, f.name) for f in fields(self) if f.name not in apart}
        content["columns"] = tuple(replace(c, column=first_name(self.kind, c.column)) for c in self.columns)
        used = "".join(f"{c.column}{c.used};" for c in content["columns"] if c.used)
        return hashlib.sha256((repr(sorted(content.items())) + used).encode()).hexdigest()


def original_name(file_name: str) -> str:
    """Return a file name without the corrections prefix and without the number that distinguishes equal names."""
    return _CORRECTIONS_MARK.sub("", file_name)
