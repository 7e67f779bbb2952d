"""Judgement of a proposed mapping against the truth of an invented file."""

import datetime as dt
import math
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import polars as pl

from tests.validation.dialects.oracle import Source, TableTruth, constant_text, is_same_conversion
from tests.validation.dialects.truth import Censored, Constant, Row
from transforms.config.settings_catalogue import Catalogue
from transforms.contracts.flag_words import parse_flag
from transforms.errors import SourceFileError, WorkspaceError
from transforms.ingest.mapping_file import parse_mapping
from transforms.ingest.preview import first_rows
from transforms.ingest.propose.sniff import FormatGuess

ALL_ROWS = 10**9
CLOSE = 1e-6
NUMBER_FORMATS = {"excel_1900", "epoch_s", "epoch_ms"}
SECOND = dt.timedelta(seconds=1)
FLAG_WORDS = {"true": "1", "yes": "1", "false": "0", "no": "0", "1.0": "1", "0.0": "0"}


def is_right(truth: TableTruth, column: str, row: dict[str, Any], sniffed: FormatGuess) -> bool:
    """Return True if a proposed row of a mapping reads a table column as the truth does.

    Args:
        truth: the truth of the kind in the table.
        column: the table column.
        row: the proposal, as the table `[columns.NAME]` of a mapping.
        sniffed: sample of the file, for times.
    """
    constant = truth.truth.constants.get(column)
    if constant is not None:
        return _is_right_constant(constant, row, truth)
    sources = truth.sources[column]
    proposed = row.get("from", [])
    proposed = [proposed] if isinstance(proposed, str) else list(proposed)
    if sources[0].meaning.format is not None:
        has_sources = proposed == [s.name for s in sources]
        return has_sources and _is_right_time(truth, column, sources, row, sniffed)
    if sorted(proposed) != sorted(s.name for s in sources):
        return False
    meaning = sources[0].meaning
    if meaning.words is not None:
        words = row.get("words") or {}
        read = {cell: str(words.get(cell, _default_word(cell, column))).casefold() for cell in meaning.words if cell}
        return all(_flag(read[c]) == _flag(w) for c, w in meaning.words.items() if c)
    if meaning.full_scale is not None:
        return row.get("full_scale") == meaning.full_scale
    return "unit" not in row or is_same_conversion(row["unit"], column, meaning)


def _default_word(cell: str, column: str) -> str:
    """Return the meaning of a word for which a mapping has none."""
    flag = None if column in {"work_state", "place"} else parse_flag(cell, column)
    return cell if flag is None else str(flag)


def _flag(word: str) -> str:
    return FLAG_WORDS.get(word, word)


def _is_right_constant(constant: Constant, row: dict[str, Any], truth: TableTruth) -> bool:
    given = _given(row, truth)
    if given is None:
        return str(row.get("value", "")).replace("+00:00", "Z").replace(" ", "T") == constant_text(constant.value)
    return given in {str(constant.value), constant.text}


def _given(row: dict[str, Any], truth: TableTruth) -> str | None:
    """Return the text outside the rows that a proposal takes; None if it takes none."""
    texts = {"file_name": [truth.file.name], "preamble": truth.file.preamble, "sheet_name": [truth.table.sheet]}
    place = next((p for p in texts if p in row), None)
    found = next(filter(None, (re.search(row[place], text) for text in texts[place])), None) if place else None
    return None if found is None else found.group(1)


def _is_right_time(
    truth: TableTruth, column: str, sources: list[Source], row: dict[str, Any], sniffed: FormatGuess
) -> bool:
    """Return True if the sample is read as the times of the truth."""
    wanted = [r[column] for r in truth.truth.rows]
    zone = str(row.get("time_zone") or "UTC")
    if sources[0].meaning.format == "native":
        at = wanted[0].replace(tzinfo=None)
        return ZoneInfo(zone).utcoffset(at) == ZoneInfo(str(sources[0].meaning.zone)).utcoffset(at)
    above = _given(row, truth) if truth.truth.day else ""
    if above is None or (truth.truth.day and truth.truth.day not in above):
        return False
    texts = [" ".join(r[s.position] for s in sources if s.position < len(r)) for r in sniffed.rows]
    form = str(row.get("format"))
    if form in NUMBER_FORMATS or sources[0].meaning.format in NUMBER_FORMATS:
        is_zoned = form != "excel_1900" or zone == sources[0].meaning.zone
        return form == sources[0].meaning.format and is_zoned
    texts = [f"{above} {text}" for text in texts] if above else texts
    pairs = list(zip(_times(texts, form, zone), wanted, strict=False))
    return bool(pairs) and all(_is_equal(a, b) for a, b in pairs)


def _times(texts: list[str], form: str, zone: str) -> list[dt.datetime | None]:
    """Return texts as times in UTC; None for those that do not have the format."""
    try:
        read = pl.Series(texts, dtype=pl.String).str.to_datetime(form, strict=False, time_unit="us")
    except pl.exceptions.PolarsError:
        return [None] * len(texts)
    if not isinstance(read.dtype, pl.Datetime) or read.dtype.time_zone is None:
        read = read.dt.replace_time_zone(zone, ambiguous="earliest", non_existent="null")
    return read.dt.convert_time_zone("UTC").to_list()


@dataclass(frozen=True)
class ReadRows:
    """Rows of a file read through a mapping.

    Attributes:
        good: accepted rows in file order.
        problem: reason for which the mapping or the whole file cannot be used; None if it can.
        rejected: number and reasons of rejected rows; empty if there are none.
    """

    good: pl.DataFrame
    problem: str | None = None
    rejected: str = ""


def rows_read(path: Path, table: dict[str, Any], catalogue: Catalogue) -> ReadRows:
    """Return the rows of a file, read through the table of a mapping."""
    try:
        mapping = parse_mapping(table, path.stem, catalogue, path.name)
        read = first_rows(path, mapping, catalogue, ALL_ROWS)
    except (SourceFileError, WorkspaceError) as problem:
        return ReadRows(pl.DataFrame(), problem=f"{type(problem).__name__}: {problem}"[:200])
    codes = ", ".join(read.rejected["reason_code"].unique().sort().to_list())
    rejected = f"{read.rejected.height} of {read.examined} rows rejected: {codes}" if read.rejected.height else ""
    return ReadRows(read.good, rejected=rejected)


def difference(rows: pl.DataFrame, wanted: list[Row]) -> str:
    """Return the first difference between accepted rows and the truth; empty text if there is none."""
    if rows.height != len(wanted):
        return f"{rows.height} rows, not {len(wanted)}"
    for column in wanted[0]:
        if column not in rows.columns:
            return f"no column {column}"
        for i, (got, row) in enumerate(zip(rows[column].to_list(), wanted, strict=True)):
            if not _is_equal(got, row[column]):
                return f"{column}: {got!r}, not {row[column]!r} (row {i + 1})"
    return ""


def _is_equal(got: Any, wanted: Any) -> bool:
    if isinstance(wanted, Censored):
        return got is None or 0 <= got <= wanted.limit
    if got is None or wanted is None:
        return got is wanted
    if isinstance(wanted, dt.datetime):
        return abs(got - wanted) <= SECOND
    if isinstance(wanted, bool):
        return bool(got) is wanted
    if isinstance(wanted, (int, float)):
        return math.isclose(float(got), wanted, rel_tol=CLOSE, abs_tol=CLOSE)
    return str(got) == str(wanted)
