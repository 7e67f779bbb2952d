"""Column layout of a text file, determined from its header."""

import codecs
import csv
import tempfile
from collections import Counter
from collections.abc import Collection
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import BinaryIO, cast

import polars as pl

from transforms.contracts.internal_columns import MARK
from transforms.contracts.reason import Reason, reason
from transforms.errors import SourceFileError
from transforms.ingest.chunk import require_columns
from transforms.ingest.mapping import Mapping
from transforms.ingest.readers.read_at import read_at

HEADER_BYTES = 1 << 20
MAX_COLUMNS = 2000
MAX_FINDINGS = 20


@dataclass(frozen=True)
class TextLayout:
    """Column layout of a text file.

    Attributes:
        columns: columns of the file, in order.
        numbers: columns read as numbers.
        wanted: columns read at all.
        separator: character between cells.
        decimal: decimal mark.
        plain: True if blocks may be parsed directly into numbers.
        findings: notes on the columns, for the user.
        flags: those of `numbers` that may contain words instead.
    """

    columns: list[str]
    numbers: set[str]
    wanted: list[str]
    separator: str
    decimal: str
    plain: bool
    findings: tuple[Reason, ...] = ()
    flags: frozenset[str] = frozenset()

    @cached_property
    def with_flags_as_text(self) -> "TextLayout":
        """The same layout with flags read as text."""
        return replace(self, numbers=self.numbers - self.flags, flags=frozenset())

    @cached_property
    def schema(self) -> dict[str, pl.DataType | type[pl.DataType]]:
        """Type of each column in a regular block."""
        return {c: pl.Float64 if c in self.numbers else pl.String for c in self.columns}

    @cached_property
    def places(self) -> list[int]:
        """Positions of the wanted columns."""
        return [self.columns.index(c) for c in self.wanted]


def _joined_names(header: list[list[str]], between: str = " ") -> list[str]:
    """Return the column names from the header rows; an unnamed column is named by its position.

    In all rows except the last, an empty cell repeats the cell to its left, as in merged cells.

    Args:
        header: cells of the header rows.
        between: text between the names of one column.
    """
    filled: list[list[str]] = []
    for row in header[:-1]:
        last, out = "", []
        for cell in row:
            last = cell.strip() or last
            out.append(last)
        filled.append(out)
    names: list[str] = []
    for i in range(max(len(r) for r in header)):
        cells = [r[i] for r in filled if i < len(r)] + ([header[-1][i].strip()] if i < len(header[-1]) else [])
        names.append(between.join(dict.fromkeys(c for c in cells if c)).replace(MARK, " ") or f"column {i + 1}")
    return names


def unique_names(names: list[str]) -> list[str]:
    """Return unique names; repeated names get a number: 'a', 'a (2)', 'a (3)'.

    >>> unique_names(["a", "b", "a"])
    ['a', 'b', 'a (2)']
    """
    seen: Counter[str] = Counter()
    taken, out = set(names), []
    for name in names:
        seen[name] += 1
        new = name
        while seen[name] > 1 and new in taken:
            new = f"{name} ({seen[name]})"
            seen[name] += new in taken
        taken.add(new)
        out.append(new)
    return out


def column_names(header: list[list[str]]) -> list[str]:
    """Return a unique name per column from one or more header rows.

    >>> column_names([["Depth", "Speed"], ["cm", "km/h"]])
    ['Depth cm', 'Speed km/h']
    """
    return unique_names(_joined_names(header))


def named_as_mapped(columns: list[str], header: list[list[str]], sources: list[str]) -> list[str]:
    """Return the column names with those of several rows as a mapping writes them: "a b", or "a / b".

    >>> named_as_mapped(["Depth left", "Depth right"], [["Depth", ""], ["left", "right"]], ["Depth / left"])
    ['Depth / left', 'Depth right']
    """
    slashed = unique_names(_joined_names(header, " / "))
    wanted = set(sources) - set(columns)
    return [s if s in wanted else c for c, s in zip(columns, slashed, strict=True)]


def repeated_names(names: list[str]) -> tuple[Reason, ...]:
    """Return findings about names that several columns share."""
    repeated = [(name[:80], n) for name, n in Counter(names).items() if n > 1]
    findings = [reason("repeated_column_name", name=name, n=n) for name, n in repeated[:MAX_FINDINGS]]
    if len(repeated) > MAX_FINDINGS:
        findings.append(reason("repeated_column_names", n=len(repeated)))
    return tuple(findings)


def repeated_columns(header: list[list[str]]) -> tuple[Reason, ...]:
    """Return findings about names in header rows that several columns share."""
    return repeated_names(_joined_names(header))


def split_line(line: str, separator: str) -> list[str]:
    """Split one line into cells; none where its quoting makes no sense.

    >>> split_line('a;"b;c";d', ";")
    ['a', 'b;c', 'd']
    """
    try:
        return next(csv.reader([line], delimiter=separator), [])
    except csv.Error:
        return []


def layout_of_text(lines: list[str], mapping: Mapping, numbers: set[str], flags: Collection[str] = ()) -> TextLayout:
    """Return the column layout from the lines above the rows.

    Args:
        lines: the lines above the rows.
        mapping: the mapping that reads the file.
        numbers: columns that are read as numbers.
        flags: those of them that may contain words instead.

    Raises:
        SourceFileError: the column names are missing, too many, or lack one that the mapping reads.
    """
    header = lines[mapping.header_line - 1 : mapping.header_line - 1 + mapping.header_rows]
    if not any(line.strip() for line in header):
        raise SourceFileError("no_header", reason("header_line_empty", line=mapping.header_line))
    widest = max(line.count(mapping.separator) for line in header)
    if widest >= MAX_COLUMNS:
        why = reason("header_too_many_columns", columns=widest + 1, max_columns=MAX_COLUMNS)
        raise SourceFileError("too_many_columns", why)
    cells = [split_line(line, mapping.separator) for line in header]
    columns = named_as_mapped(column_names(cells), cells, mapping.sources())
    require_columns(columns, mapping)
    plain = (
        mapping.thousands is None and len(mapping.separator) == 1 and len(columns) > 1 and bool(numbers & set(columns))
    )
    wanted = [c for c in columns if c in set(mapping.sources())]
    found = repeated_columns(cells)
    own_flags = frozenset(flags) & set(columns)
    return TextLayout(columns, numbers, wanted, mapping.separator, mapping.decimal, plain, found, own_flags)


def _transcoded(path: Path, encoding: str) -> BinaryIO:
    """Return a temporary UTF-8 copy of a file; undecodable bytes become the replacement character."""
    try:
        decoder = codecs.getincrementaldecoder(_byte_order(path, encoding))(errors="replace")
    except LookupError as problem:
        raise SourceFileError("encoding", reason("encoding_unknown", encoding=encoding)) from problem
    out = cast("BinaryIO", tempfile.TemporaryFile())  # noqa: SIM115 (on Windows a wrapper with the same methods)
    with path.open("rb") as handle:
        while block := handle.read(HEADER_BYTES):
            out.write(decoder.decode(block).encode())
        out.write(decoder.decode(b"", final=True).encode())
    out.flush()
    return out


def _byte_order(path: Path, encoding: str) -> str:
    """Return the encoding, for UTF-16 without a byte order mark with the order of the bytes of the first character."""
    if encoding.lower().replace("_", "-") not in {"utf-16", "utf16"}:
        return encoding
    with path.open("rb") as handle:
        first = handle.read(2)
    if first in {codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE}:
        return encoding
    return "utf-16-be" if first[:1] == b"\x00" else "utf-16-le"


def open_as_utf8(path: Path, encoding: str) -> BinaryIO:
    """Open a file as UTF-8, transcoding it to a temporary file if it has another encoding.

    Raises:
        SourceFileError: the encoding is unknown.
    """
    if encoding.lower().replace("_", "-") in {"utf-8", "utf8", "ascii", "us-ascii"}:
        return path.open("rb")
    return _transcoded(path, encoding)


def read_header(fd: int, mapping: Mapping) -> tuple[list[str], int]:
    """Return (lines above the rows, byte offset of the rows).

    Raises:
        SourceFileError: a line is too long, not in the mapped encoding, or contains NUL bytes.
    """
    count = mapping.header_line + mapping.header_rows - 1 + (1 if mapping.unit_row else 0)
    data = read_at(fd, HEADER_BYTES, 0)
    is_complete = len(data) < HEADER_BYTES
    at, lines = 3 if data.startswith(codecs.BOM_UTF8) else 0, []
    for _ in range(count):
        end = data.find(b"\n", at)
        if end < 0:
            if not is_complete:
                raise SourceFileError("line_too_long", reason("header_line_too_long", max_bytes=HEADER_BYTES))
            end = len(data)
        line = data[at:end]
        try:
            lines.append(line.decode("utf-8").removesuffix("\r"))
        except UnicodeDecodeError as problem:
            why = reason("header_not_in_encoding", encoding=mapping.encoding, detail=str(problem))
            raise SourceFileError("encoding", why) from problem
        if b"\x00" in line:
            raise SourceFileError("nul_bytes", reason("header_has_nul_bytes"))
        at = min(end + 1, len(data))
    return lines, at
