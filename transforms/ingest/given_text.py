"""Texts given once for all rows: by the file name, by a line above the header, or by the name of the sheet."""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import polars as pl

from transforms.contracts.internal_columns import MARK
from transforms.contracts.reason import Reason, reason
from transforms.errors import SourceFileError
from transforms.ingest.chunk import RAW_CHARACTERS
from transforms.ingest.mapping import ColumnMapping, original_name


@dataclass(frozen=True)
class FileContext:
    """Texts of a file outside its rows.

    Attributes:
        file_name: name of the file, without its folder.
        preamble: lines above the header.
        sheet: name of the sheet; None for other formats.
    """

    file_name: str
    preamble: Sequence[str]
    sheet: str | None


def with_given_texts(
    columns: list[ColumnMapping], cells: pl.DataFrame, context: FileContext
) -> tuple[list[ColumnMapping], pl.DataFrame]:
    """Return the columns and cells with each given text as a cell of every row, before the column's other sources.

    An optional column whose text is missing is left out.

    Raises:
        SourceFileError: a text is missing.
    """
    kept, texts = list[ColumnMapping](), dict[str, str]()
    for column in columns:
        if not column.is_given:
            kept.append(column)
            continue
        text, why = _given_text(column, context)
        if text is not None:
            name = f"{MARK}given {column.column}"
            texts[name] = text
            kept.append(replace(column, sources=(name, *column.sources)))
        elif not column.optional:
            raise SourceFileError("file_name" if column.file_name is not None else "text_not_given", why)
    return kept, cells.with_columns(pl.lit(text).alias(name) for name, text in texts.items())


def _given_text(column: ColumnMapping, context: FileContext) -> tuple[str | None, Reason]:
    """Return (the text, None if it is missing; the reason if it is missing)."""
    if column.file_name is not None:
        why = reason("not_in_file_name", column=column.column)
        return _first_group(column.file_name, [original_name(context.file_name)]), why
    if column.preamble is not None:
        return _first_group(column.preamble, context.preamble), reason("not_in_preamble", column=column.column)
    sheet = context.sheet or ""
    return _first_group(str(column.sheet_name), [sheet]), reason("not_in_sheet_name", column=column.column, sheet=sheet)


def _first_group(pattern: str, lines: Sequence[str]) -> str | None:
    """Return the first group in the first line that matches; an empty one is a missing text."""
    found = (re.search(pattern, line[:RAW_CHARACTERS]) for line in lines)
    group = next((match.group(1) for match in found if match), None)
    return (group or "").strip() or None


def source_label(column: ColumnMapping) -> str:
    """Return the columns of the file that a column is read from, or its own name if it is read from none."""
    return " / ".join(s for s in column.sources if not s.startswith(MARK)) or column.column
