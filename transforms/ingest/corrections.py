"""Writes rejected rows as files a person mends in a spreadsheet and puts back into the inbox.

A file of mended rows is named as the one its rows came from, with a mark before it: the same mapping reads it, and
what stands in the name (a machine, a date) still holds. The last column says why each row was rejected.
"""

import csv
import io
import re
from pathlib import Path

import polars as pl
import xlsxwriter

from transforms.ingest.chunk import RAW_CHARACTERS
from transforms.ingest.mapping import MENDED, Mapping, own_name
from transforms.ingest.readers.text_layout import cells_of

WHY = "why rejected"
FORMS = ("delimited", "sheet")
FORMULA = re.compile(r"^[=@+\t\r]|^-(?![\d.,])")


def _harmless(cell: str) -> str:
    """A cell that no spreadsheet runs: an apostrophe before what would be a formula; taken back when it is read."""
    return "'" + cell if FORMULA.match(cell) else cell


def corrections_name(file: str, taken: set[str]) -> str:
    """Return a name for the file of mended rows that is not taken, even where case is ignored; add it to `taken`.

    Files of one name (of other folders, or delivered again) differ in a number after the mark.
    """
    own, n = own_name(file.rsplit("/", 1)[-1]), 1
    name = MENDED + own
    while name.casefold() in taken:
        n += 1
        name = f"{MENDED}{n}~~{own}"
    taken.add(name.casefold())
    return name


def write_rejected(rows: pl.DataFrame, mappings: dict[str, Mapping], folder: Path) -> tuple[list[Path], int]:
    """Write the rejected rows of each file into one to remedy.

    Args:
        rows: `sql/queries/mendable.sql`.
        mappings: by name.
        folder: where to write.

    Returns:
        (files written, rows that cannot be mended this way: of task data, of Parquet, or far too long).
    """
    folder.mkdir(parents=True, exist_ok=True)
    written, left, taken = [], 0, set[str]()
    whole = rows.filter(pl.col("raw").str.len_chars() <= RAW_CHARACTERS)
    left += rows.height - whole.height
    for (_, file), part in whole.group_by("source_sha256", "file", maintain_order=True):
        mapping = mappings.get(part["mapping"][0])
        form = None if mapping is None else mapping.form_of(Path(str(file)))
        if mapping is None or form not in FORMS:
            left += part.height
            continue
        target = folder / corrections_name(str(file), taken)
        (_write_text if form == "delimited" else _write_sheet)(part, mapping, target)
        written.append(target)
    return written, left


def _write_text(rows: pl.DataFrame, mapping: Mapping, target: Path) -> None:
    separator = mapping.separator
    header = [line + separator for line in rows["header"][0].split("\n")]
    header[mapping.header_line - 1] += WHY
    out = io.StringIO()
    writer = csv.writer(out, delimiter=separator, lineterminator="\n")
    for raw, says in rows.select("raw", "says").iter_rows():
        writer.writerow([*(_harmless(c) for c in cells_of(raw, separator) or [raw]), says])
    text = "\n".join(header) + "\n" + out.getvalue()
    target.write_bytes(text.encode(mapping.encoding, errors="replace"))


def _write_sheet(rows: pl.DataFrame, mapping: Mapping, target: Path) -> None:
    header = [line.split("\t") for line in rows["header"][0].split("\n")]
    width = max(len(line) for line in header)
    with xlsxwriter.Workbook(
        target, {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    ) as book:
        for (part,), mine in rows.group_by("part", maintain_order=True):
            page = book.add_worksheet(str(part)[:31] if part else None)
            for i, line in enumerate(header):
                page.write_row(i, 0, line)
            page.write_string(mapping.header_line - 1, width, WHY)
            for i, (raw, says) in enumerate(mine.select("raw", "says").iter_rows(), start=len(header)):
                for j, cell in enumerate(raw.split("\t")):
                    if cell:
                        page.write_string(i, j, cell)
                page.write_string(i, width, says)
