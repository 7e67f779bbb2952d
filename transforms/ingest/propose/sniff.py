"""Detection of file format and layout: encoding, separator, header and unit rows, decimal mark."""

import csv
import re
from collections import Counter
from contextlib import suppress
from dataclasses import dataclass, field
from fnmatch import fnmatch
from pathlib import Path

import polars as pl

from transforms.config.forms import SUFFIX_FORM
from transforms.contracts.reason import Reason, reason
from transforms.errors import SourceFileError
from transforms.ingest.chunk import LINE
from transforms.ingest.propose.encoding import decode
from transforms.ingest.propose.numbers import GROUPED, NUMBER, is_number
from transforms.ingest.propose.unit_text import is_unit_row
from transforms.ingest.readers.geojson import AREA, LAT, LON, geojson_rows
from transforms.ingest.readers.gpx import gpx_rows
from transforms.ingest.readers.iso11783.source import value_names
from transforms.ingest.readers.parquet import parquet_rows
from transforms.ingest.readers.text_layout import column_names
from transforms.ingest.readers.workbook import sheet_grids

SAMPLE_BYTES = 1 << 18
SAMPLE_LINES = 400
MARK_CELLS = 100_000
"""Maximum cells used to detect the decimal mark."""
SEPARATORS = (";", ",", "\t", "|")
STATED = re.compile(r"^[^:=]{2,40}[:=]\s*\S")
"""A statement above the header, such as "Machine: R07"."""
MOMENT = re.compile(r"^\d{1,4}[-./]\d{1,2}[-./]\d|^\d{1,2}:\d{2}")
GHCN = re.compile(r"^[A-Z0-9_-]{11},\d{8},[A-Z0-9]{4},-?\d+,")


@dataclass
class FormatGuess:
    """Detected format and layout of a file.

    Attributes:
        form: one of `transforms.config.forms.FORMS`.
        layout: keys of a mapping (`separator`, `header_line`, ...).
        reasons: reasons for the detected format and layout.
        columns: columns of the file.
        units: column -> text in the unit row.
        rows: sample rows as text, one cell per column.
        unsure: layout key -> (question, choices, best guess).
        preamble: lines above the header.
        sheets: names of the sheets with this table.
        other_sheets: names of the filled sheets of the workbook without a table.
    """

    form: str
    layout: dict[str, object] = field(default_factory=dict)
    reasons: list[Reason] = field(default_factory=list)
    columns: list[str] = field(default_factory=list)
    units: dict[str, str] = field(default_factory=dict)
    rows: list[list[str]] = field(default_factory=list)
    unsure: dict[str, tuple[Reason, list[str], str]] = field(default_factory=dict)
    preamble: list[str] = field(default_factory=list)
    sheets: list[str] = field(default_factory=list)
    other_sheets: list[str] = field(default_factory=list)

    @property
    def first_sheet(self) -> str:
        """First sheet or pattern of sheets of the table; empty if the file has no sheets."""
        sheets = self.layout.get("sheet", "")
        return str(sheets[0]) if isinstance(sheets, list) else str(sheets)


def sniff(path: Path, encoding: str | None = None) -> list[FormatGuess]:
    """Detect the format and layout of the tables of a file from its beginning: one, or one per sheet.

    Args:
        path: the file.
        encoding: the user's answer about the encoding; None to detect it.

    Raises:
        SourceFileError: the file contains no table.
    """
    form = "iso11783" if path.is_dir() else SUFFIX_FORM.get(path.suffix.lower(), "delimited")
    if form == "delimited":
        return [_sniff_text(path, encoding)]
    if form == "sheet":
        return _sniff_sheets(path)
    sniffed = FormatGuess(form, reasons=[reason("format_by_name", form_name=form)])
    if form in FORMAT_SNIFFERS:
        FORMAT_SNIFFERS[form](path, sniffed)
    return [sniffed]


def _cells(line: str, separator: str) -> list[str]:
    try:
        return [c.strip() for c in next(csv.reader([line], delimiter=separator), [])]
    except csv.Error:
        return []


def _separator(lines: list[str]) -> str:
    """Return the separator that splits most lines into the same number of cells, preferring more cells."""
    best, score = ",", 0.0
    for separator in SEPARATORS:
        counts = Counter(len(_cells(line, separator)) for line in lines)
        width, count = max(counts.items(), key=lambda kv: (kv[1] * (kv[0] > 1), kv[0]))
        if width > 1 and (now := count / len(lines) + min(width, 40) / 1000) > score:
            best, score = separator, now
    return best


def _is_label(cells: list[str]) -> bool:
    filled = [c for c in cells if c]
    texts = [c for c in filled if not _is_value(c) and not STATED.match(c)]
    return len(filled) >= max(2, len(cells) // 3) and len(texts) >= 0.8 * len(filled)


def _is_value(cell: str) -> bool:
    """Return True for a number, a date or a time; a name may contain digits, such as "2-4 cm" or "1. Wägung"."""
    return is_number(cell) or MOMENT.match(cell) is not None


def _sniff_text(path: Path, encoding: str | None) -> FormatGuess:
    with path.open("rb") as handle:
        data = handle.read(SAMPLE_BYTES)
    decoded = decode(data, encoding)
    text = decoded.text
    if "\x00" in text:
        raise SourceFileError("not_a_table", reason("file_has_nul_bytes"))
    sniffed = FormatGuess("delimited", reasons=decoded.reasons)
    if decoded.encoding != "utf-8":
        sniffed.layout["encoding"] = decoded.encoding
    if decoded.question is not None:
        sniffed.unsure["encoding"] = decoded.question
    lines = text.splitlines()[:SAMPLE_LINES]
    if len(data) == SAMPLE_BYTES and len(lines) > 1 and len(text.splitlines()) <= SAMPLE_LINES:
        lines.pop()
    if lines and GHCN.match(lines[0]):
        return FormatGuess("ghcn_daily", layout={"form": "ghcn_daily"}, reasons=[reason("begins_as_ghcn")])
    if text.lstrip()[:1] == "{" and '"FeatureCollection"' in text:
        sniffed = FormatGuess("geojson", layout={"form": "geojson"}, reasons=[reason("begins_as_geojson")])
        _sniff_described(path, sniffed)
        return sniffed
    full = [line for line in lines if line.strip()]
    if len(full) < 2:
        raise SourceFileError("not_a_table", reason("too_few_lines"))
    separator = _separator(full)
    sniffed.layout["separator"] = separator
    sniffed.reasons.append(reason("separator_splits", separator=repr(separator)))
    _sniff_rows([_cells(line, separator) for line in lines], sniffed)
    return sniffed


def _sniff_sheets(path: Path) -> list[FormatGuess]:
    """Return the tables of a workbook, the most filled first; sheets with the same columns are one table."""
    tables: dict[tuple[str, ...], FormatGuess] = {}
    every, others = [], []
    for name, grid in sheet_grids(path):
        every.append(name)
        rows = [["" if v is None else str(v).strip() for v in row] for row in grid.head(SAMPLE_LINES).iter_rows()]
        sniffed = FormatGuess("sheet", reasons=[reason("format_by_name", form_name="sheet")])
        # A sheet without a header is not a table.
        with suppress(SourceFileError):
            _sniff_rows(rows, sniffed)
        if sniffed.rows:
            key = (*sniffed.columns, str(sniffed.layout.get("header_line")))
            tables.setdefault(key, sniffed).sheets.append(name)
        elif any(any(row) for row in rows):
            others.append(name)
    if not tables:
        raise SourceFileError("not_a_table", reason("no_sheet_with_table"))
    for sniffed in tables.values():
        _name_sheets(sniffed, sniffed.sheets, every)
        sniffed.other_sheets = others
    return sorted(tables.values(), key=lambda t: -sum(bool(c) for row in t.rows for c in row))


def _name_sheets(sniffed: FormatGuess, names: list[str], every: list[str]) -> None:
    """Set the sheets of a table: by a pattern for their numbers, unless it matches other sheets as well."""
    patterns = list(dict.fromkeys(re.sub(r"\d+", "*", re.sub(r"[\[\]?*]", "?", n)) for n in names))
    if [n for n in every if any(fnmatch(n, p) for p in patterns)] != [n for n in every if n in names]:
        patterns = names
    if any(p.strip("*_-. ") == "" for p in patterns):
        patterns = names
    sniffed.layout["sheet"] = patterns[0] if len(patterns) == 1 else patterns
    sniffed.reasons.append(reason("sheets_with_table", sheet=", ".join(names)))


def _sniff_parquet(path: Path, sniffed: FormatGuess) -> None:
    head = parquet_rows(path, SAMPLE_LINES)
    texts = head.select(pl.all().cast(pl.String, strict=False))
    sniffed.columns = texts.columns
    sniffed.rows = [["" if v is None else str(v).removesuffix(".000000") for v in row] for row in texts.iter_rows()]


def _sniff_described(path: Path, sniffed: FormatGuess) -> None:
    """Set the columns and first rows of a format that defines them."""
    cells = {"geojson": geojson_rows, "gpx": gpx_rows}[sniffed.form](path).head(SAMPLE_LINES)
    if sniffed.form == "geojson":
        sniffed.units = {LAT: "deg", LON: "deg", AREA: "ha"}
    else:
        sniffed.layout["form"] = sniffed.form
    sniffed.columns = [c for c in cells.columns if c != LINE]
    sniffed.rows = [["" if v is None else str(v) for v in row] for row in cells.select(sniffed.columns).iter_rows()]


def _sniff_task_data(path: Path, sniffed: FormatGuess) -> None:
    sniffed.columns = value_names(path)


FORMAT_SNIFFERS = {
    "parquet": _sniff_parquet,
    "geojson": _sniff_described,
    "gpx": _sniff_described,
    "iso11783": _sniff_task_data,
}


def _sniff_rows(rows: list[list[str]], sniffed: FormatGuess) -> None:
    """Detect header, unit row and decimal mark in rows of cells."""
    widths = Counter(len(r) for r in rows if len(r) > 1)
    if not widths:
        raise SourceFileError("not_a_table", reason("no_separator"))
    width = widths.most_common(1)[0][0]
    at = next((i for i, r in enumerate(rows) if len(r) == width and _is_label(r)), None)
    if at is None:
        raise SourceFileError("no_header", reason("no_header_found"))
    header, below = [rows[at]], rows[at + 1 :]
    if at and _is_above(rows[at - 1], rows[at]):
        at, header, below = at - 1, [rows[at - 1]], rows[at:]
    sniffed.preamble = [" ".join(c for c in row if c) for row in rows[:at]]
    if at:
        sniffed.reasons.append(reason("header_below_lines", line=at + 1, n=at))
    sniffed.layout["header_line"] = at + 1
    if below and (_continues(header[0], below[0]) or _is_above(header[0], below[0])):
        header.append(below.pop(0))
        sniffed.layout["header_rows"] = 2
        sniffed.reasons.append(reason("header_of_two_rows"))
    sniffed.columns = column_names(header)
    if below and is_unit_row(below):
        units = below.pop(0)
        sniffed.units = {c: u for c, u in zip(sniffed.columns, units, strict=False) if u}
        sniffed.layout["unit_row"] = True
        sniffed.reasons.append(reason("unit_row_below"))
    sniffed.rows = [r for r in below if len(r) == width and any(r)]
    _decimal(sniffed)


def _continues(above: list[str], row: list[str]) -> bool:
    """Return True if a row below the header is a second header row: it fills gaps and has no numbers or units."""
    gaps = [i for i, c in enumerate(above) if not c]
    return bool(gaps) and all(i < len(row) and row[i] for i in gaps) and _no_values(row) and not is_unit_row([row])


def _is_above(row: list[str], header: list[str]) -> bool:
    """Return True if a row above the names has groups of names: it makes repeated names different."""
    filled = [c for c in row if c]
    if len(row) != len(header) or len(filled) < 2 or not _no_values([*row, *header]) or "" not in row:
        return False
    repeated = len(header) - len(set(header))
    joined = [c.removesuffix(f" ({n})") for c in column_names([row, header]) for n in (2,)]
    return (repeated > 0 and len(joined) - len(set(joined)) < repeated) or (
        len(filled) > 2 and not any(":" in c or "=" in c for c in filled)
    )


def _no_values(row: list[str]) -> bool:
    return not any(_is_value(c) for c in row if c)


def _decimal(sniffed: FormatGuess) -> None:
    """Detect the decimal mark and the thousands mark."""
    rows = sniffed.rows[: max(10, MARK_CELLS // max(1, len(sniffed.columns)))]
    cells = [c for r in rows for c in r if GROUPED.match(c) or NUMBER.match(c)]
    comma = [c for c in cells if re.match(r"^[+-]?\d+,\d+$", c)]
    point = [c for c in cells if re.match(r"^[+-]?\d+\.\d+$", c)]
    both = [c for c in cells if "," in c and "." in c]
    if both:
        decimal = "," if both[0].rfind(",") > both[0].rfind(".") else "."
        sniffed.layout.update(decimal=decimal, thousands="." if decimal == "," else ",")
        sniffed.reasons.append(reason("two_number_marks", example=both[0]))
        return
    spaced = ((found.group(1), c) for c in cells if (found := GROUPED.match(c)) and found.group(1) in "' \u00a0")
    if (first := next(spaced, None)) is not None:
        sniffed.layout["thousands"], example = first
        sniffed.reasons.append(reason("thousands_as_in", example=example))
    decimal = "," if len(comma) > len(point) else "."
    sniffed.layout["decimal"] = decimal
    marked, others = (comma, point) if decimal == "," else (point, comma)
    if marked and others and all(re.match(r"^[+-]?[1-9]\d{0,2}[.,]\d{3}$", c) for c in others):
        sniffed.layout["thousands"] = "," if decimal == "." else "."
        sniffed.reasons.append(reason("thousands_as_in", example=others[0]))
    if not marked:
        sniffed.reasons.append(reason("no_decimal_mark"))
        return
    sniffed.reasons.append(reason("decimal_mark_as_in", decimal=decimal, example=marked[0]))
    if all(re.match(r"^[+-]?[1-9]\d{0,2}[.,]\d{3}$", c) for c in marked):
        other = "." if decimal == "," else ","
        why = reason("ask_decimal", example=marked[0], decimal=decimal, other=other)
        sniffed.unsure["decimal"] = (why, [decimal, other], decimal)
