"""Corrections files: rejected rows to correct in a spreadsheet and return to the inbox.

A corrections file has the name of the original file with a prefix, so the same mapping reads it and information in the
name (a machine, a date) remains valid. Its last column contains the reason for each rejection.
"""

import csv
import io
import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import polars as pl
import xlsxwriter

from transforms.contracts.reason import Reason
from transforms.ingest.chunk import RAW_CHARACTERS
from transforms.ingest.mapping import CORRECTIONS_PREFIX, Mapping, original_name
from transforms.ingest.readers.text_layout import split_line

CORRECTABLE_FORMS = ("delimited", "sheet")
FORMULA = re.compile(r"^[=@+\t\r]|^-(?![\d.,])")


@dataclass(frozen=True)
class CorrectionTexts:
    """Texts of corrections files in the language of the workspace.

    Attributes:
        header: header of the column with the reasons.
        sentence_of: function that returns the sentence of a reason.
    """

    header: str
    sentence_of: Callable[[Reason], str]


def _escaped(cell: str) -> str:
    """Return a cell that no spreadsheet runs as a formula; the reader removes the added apostrophe."""
    return "'" + cell if FORMULA.match(cell) else cell


def corrections_name(file: str, taken: set[str]) -> str:
    """Return an unused, case-insensitively unique name for a corrections file, and add it to `taken`.

    Files of the same name (from other folders, or delivered again) get a number after the prefix.
    """
    own, n = original_name(file.rsplit("/", 1)[-1]), 1
    name = CORRECTIONS_PREFIX + own
    while name.casefold() in taken:
        n += 1
        name = f"{CORRECTIONS_PREFIX}{n}~~{own}"
    taken.add(name.casefold())
    return name


def write_rejected(
    rows: pl.DataFrame, mappings: dict[str, Mapping], folder: Path, texts: CorrectionTexts
) -> tuple[list[Path], int]:
    """Write one corrections file per source file, or several for sheets with different lines above their rows.

    Args:
        rows: rows of the query `sql/queries/correctable_row.sql`.
        mappings: mapping name -> mapping.
        folder: output folder.
        texts: header and sentences of the reasons.

    Returns:
        (files written, number of rows that cannot be corrected this way: from task data, Parquet, or sheets whose lines
        above the header differ, or too long).
    """
    folder.mkdir(parents=True, exist_ok=True)
    written, left, taken = [], 0, set[str]()
    whole = _with_sentences(rows.filter(pl.col("raw").str.len_chars() <= RAW_CHARACTERS), texts.sentence_of)
    left += rows.height - whole.height
    for (_, file, _), part in whole.group_by("source_sha256", "file", "header", maintain_order=True):
        mapping = mappings.get(part["mapping"][0])
        form = None if mapping is None else mapping.form_of(Path(str(file)))
        if mapping is None or form not in CORRECTABLE_FORMS or _has_lines_per_sheet(mapping, str(form)):
            left += part.height
            continue
        target = folder / corrections_name(str(file), taken)
        (_write_text if form == "delimited" else _write_sheet)(part, mapping, texts.header, target)
        written.append(target)
    return written, left


def _has_lines_per_sheet(mapping: Mapping, form: str) -> bool:
    """Return True if values come from lines above the header of each sheet; only those of the first are stored."""
    return form == "sheet" and bool(mapping.sheets) and any(c.preamble is not None for c in mapping.columns)


def _with_sentences(rows: pl.DataFrame, sentence_of: Callable[[Reason], str]) -> pl.DataFrame:
    """Return the rows with the column `why_rejected`: the sentences of all reasons of a row."""
    sentences = [
        "; ".join(dict.fromkeys(sentence_of(Reason(r["reason_code"], r["reason_args"])) for r in reasons))
        for reasons in rows["reasons"]
    ]
    return rows.with_columns(pl.Series("why_rejected", sentences, dtype=pl.String))


def _write_text(rows: pl.DataFrame, mapping: Mapping, reason_header: str, target: Path) -> None:
    separator = mapping.separator
    header = [line + separator for line in rows["header"][0].split("\n")]
    header[mapping.header_line - 1] += reason_header
    out = io.StringIO()
    writer = csv.writer(out, delimiter=separator, lineterminator="\n")
    for raw, why_rejected in rows.select("raw", "why_rejected").iter_rows():
        writer.writerow([*(_escaped(c) for c in split_line(raw, separator) or [raw]), why_rejected])
    text = "\n".join(header) + "\n" + out.getvalue()
    target.write_bytes(text.encode(mapping.encoding, errors="replace"))


def _write_sheet(rows: pl.DataFrame, mapping: Mapping, reason_header: str, target: Path) -> None:
    header = [line.split("\t") for line in rows["header"][0].split("\n")]
    width = max(len(line) for line in header)
    with xlsxwriter.Workbook(
        target, {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    ) as book:
        for (part,), part_rows in rows.group_by("part", maintain_order=True):
            page = book.add_worksheet(str(part)[:31] if part else None)
            for i, line in enumerate(header):
                page.write_row(i, 0, line)
            page.write_string(mapping.header_line - 1, width, reason_header)
            reasons = part_rows.select("raw", "why_rejected").iter_rows()
            for i, (raw, why_rejected) in enumerate(reasons, start=len(header)):
                for j, cell in enumerate(raw.split("\t")):
                    if cell:
                        page.write_string(i, j, cell)
                page.write_string(i, width, why_rejected)
