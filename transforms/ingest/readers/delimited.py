"""Reader of delimited text, block by block: memory use depends on the block size, not on the file size.

A regular block is parsed directly into numbers. An irregular block is read as text, line by line, so that each invalid
line is rejected on its own. Both parsers give the same cells.
"""

import os
from collections.abc import Callable, Collection, Iterator
from functools import partial
from pathlib import Path

import numpy as np
import polars as pl
import polars.selectors as cs

from transforms.contracts.reason import reason
from transforms.errors import SourceFileError
from transforms.ingest.chunk import (
    EMPTY_WORDS,
    LINE,
    RAW_CHARACTERS,
    Chunk,
    Source,
    empty_rejections,
    rejected_rows,
)
from transforms.ingest.mapping import Mapping
from transforms.ingest.readers.read_at import read_at
from transforms.ingest.readers.text_layout import (
    HEADER_BYTES,
    TextLayout,
    layout_of_text,
    open_as_utf8,
    read_header,
    split_line,
)

BLOCK_BYTES = 16 << 20
SEARCH_BYTES = 1 << 16
COUNT_BYTES = 1 << 18
POINT_SUBSTITUTE = "\x01"
"""Substitute for points under a decimal comma: before parsing, commas become points and points become this."""


def _line_end(fd: int, start: int, end: int, size: int) -> int:
    """Return the end of the last line that ends within [start, end); if none does, the end of the line at `start`."""
    at = end
    while at > start:
        back = max(start, at - SEARCH_BYTES)
        found = read_at(fd, at - back, back).rfind(b"\n")
        if found >= 0:
            return back + found + 1
        at = back
    at = end
    while at < size:
        found = read_at(fd, HEADER_BYTES, at).find(b"\n")
        if found >= 0:
            return at + found + 1
        at += HEADER_BYTES
    return size


def byte_blocks(fd: int, start: int, size: int) -> Iterator[tuple[int, int]]:
    """Yield (start, end) byte offsets of blocks of whole lines."""
    while start < size:
        end = min(start + BLOCK_BYTES, size)
        if end < size:
            end = _line_end(fd, start, end, size)
        yield start, end
        start = end


def open_delimited(path: Path, mapping: Mapping, numbers: set[str], flags: Collection[str] = ()) -> Source:
    """Open a CSV-like file.

    Args:
        path: the file.
        mapping: the mapping that reads it.
        numbers: columns of the file that are read as numbers.
        flags: those of them that may contain words instead.

    Raises:
        SourceFileError: the header is missing, not in the mapped encoding, or too large.
    """
    handle = open_as_utf8(path, mapping.encoding)
    try:
        lines, at = read_header(handle.fileno(), mapping)
        layout = layout_of_text(lines, mapping, numbers, flags)
    except SourceFileError:
        handle.close()
        raise
    return Source("\n".join(lines), _pieces(handle.fileno(), at, len(lines), layout), handle.close)


def _pieces(fd: int, at: int, lines_above: int, layout: TextLayout) -> Iterator[Callable[[], Chunk]]:
    """Yield an empty chunk for the lines above the rows, then the chunks of rows."""
    yield lambda: Chunk(
        pl.DataFrame(schema={**dict.fromkeys(layout.wanted, pl.String), LINE: pl.Int64}),
        lines_above,
        lambda lines: [""] * len(lines),
        findings=layout.findings,
    )
    for start, end in byte_blocks(fd, at, os.fstat(fd).st_size):
        yield partial(_read_block, fd, start, end, layout)


def _read_block(fd: int, start: int, end: int, layout: TextLayout) -> Chunk:
    if end - start > 2 * BLOCK_BYTES:
        return endless_line(read_at(fd, RAW_CHARACTERS, start), end - start)
    data = read_at(fd, end - start, start)
    data = data.replace(b"\r\n", b"\n") if b"\r" in data else data
    data = data if data.endswith(b"\n") else data + b"\n"
    chunk = parse_plain(data, layout)
    if chunk is None and layout.flags:
        chunk = parse_plain(data, layout.with_flags_as_text)
    return chunk or parse_text(data, layout)


def endless_line(beginning: bytes, length: int) -> Chunk:
    """Return a chunk that rejects a line longer than any row."""
    text, why = beginning.decode("utf-8", "backslashreplace") + "…", reason("line_too_long", length=length)
    bad = rejected_rows([1], None, [text], "line_too_long", why)
    return Chunk(pl.DataFrame(schema={LINE: pl.Int64}), 1, lambda lines: [""] * len(lines), bad)


def _raw_lines(data: bytes) -> Callable[[list[int]], list[str]]:
    def raw(lines: list[int]) -> list[str]:
        texts = data.split(b"\n")
        return [texts[n - 1].decode("utf-8", "backslashreplace") for n in lines]

    return raw


def _count(data: bytes, character: str) -> int:
    """Return the number of occurrences of a character, counted in blocks that fit in the processor cache."""
    codes, hits = np.frombuffer(data, np.uint8), np.empty(COUNT_BYTES, dtype=bool)
    total = 0
    for start in range(0, codes.size, COUNT_BYTES):
        block = codes[start : start + COUNT_BYTES]
        total += int(np.count_nonzero(np.equal(block, ord(character), out=hits[: block.size])))
    return total


def parse_plain(data: bytes, layout: TextLayout) -> Chunk | None:
    """Parse a regular block directly into numbers; return None if a line lacks cells or a number is invalid."""
    if not layout.plain or b'"' in data or b"\x00" in data or b"\x01" in data:
        return None
    comma = layout.decimal == ","
    text = data.translate(bytes.maketrans(b".,", POINT_SUBSTITUTE.encode() + b".")) if comma else data
    cells = _plain_cells(text, layout)
    if cells is None:
        return None
    # The parser rejects longer lines; a shorter or empty line reduces the number of separators.
    if _count(data, layout.separator) != cells.height * (len(layout.columns) - 1):
        return None
    if comma:
        texts = pl.col(pl.String).str.replace_many([".", POINT_SUBSTITUTE], [",", "."])
        cells = cells.with_columns(texts)
    return Chunk(_numbered(cells), cells.height, _raw_lines(data))


def _plain_cells(text: bytes, layout: TextLayout) -> pl.DataFrame | None:
    """Return the cells of regular lines, with words for empty cells as null; None if a number is invalid.

    Looking for these words in every cell costs half as much again as parsing, and most logs have none: they are looked
    for only if a number cannot be parsed (or is NaN), or a text equals one.
    """
    cells = _parse_cells(text, layout, [])
    if cells is not None and not _has_empty_word(cells):
        return cells
    return _parse_cells(text, layout, EMPTY_WORDS)


def _parse_cells(text: bytes, layout: TextLayout, empty_words: list[str]) -> pl.DataFrame | None:
    try:
        return pl.read_csv(
            text,
            has_header=False,
            separator=layout.separator,
            schema=layout.schema,
            columns=layout.places,
            null_values=empty_words or None,
            quote_char=None,
        )
    except pl.exceptions.PolarsError:
        return None


def _has_empty_word(cells: pl.DataFrame) -> bool:
    """Return True if a text is a word for an empty cell, or a number is NaN."""
    found = cells.select(cs.string().is_in(EMPTY_WORDS).any(), cs.float().is_nan().any())
    return found.width > 0 and any(found.row(0))


def _numbered(cells: pl.DataFrame) -> pl.DataFrame:
    return cells.with_columns(pl.int_range(1, pl.len() + 1, dtype=pl.Int64).alias(LINE))


def _decoded(data: bytes) -> tuple[list[str], list[int]]:
    """Return (lines as text, numbers of the lines that are not valid UTF-8)."""
    lines = data.split(b"\n")[:-1]
    texts, bad = [], []
    for number, line in enumerate(lines, start=1):
        try:
            texts.append(line.decode())
        except UnicodeDecodeError:
            texts.append(line.decode("utf-8", "backslashreplace"))
            bad.append(number)
    return texts, bad


def _uneven(lines: pl.DataFrame, layout: TextLayout) -> tuple[list[int], list[int]]:
    """Return (numbers of lines with too few or too many cells, numbers of lines with unbalanced quotes)."""
    width = len(layout.columns)
    counts = lines.select(
        "line",
        pl.col("raw").str.count_matches(layout.separator, literal=True).alias("separators"),
        pl.col("raw").str.count_matches('"', literal=True).alias("quotes"),
    )
    broken = counts.filter(pl.col("quotes") % 2 == 1)["line"].to_list()
    even = counts.filter(pl.col("quotes") % 2 == 0)
    uneven = even.filter((pl.col("quotes") == 0) & (pl.col("separators") != width - 1))["line"].to_list()
    # A separator within quotes does not separate cells, so quoted lines must be parsed to count their cells.
    quoted = even.filter(pl.col("quotes") > 0).join(lines, on="line").select("line", "raw")
    uneven += [n for n, raw in quoted.iter_rows() if len(split_line(raw, layout.separator)) != width]
    return uneven, broken


def parse_text(data: bytes, layout: TextLayout) -> Chunk:
    """Parse a block as text, rejecting each invalid line on its own."""
    texts, undecoded = _decoded(data)
    lines = pl.DataFrame({"line": range(1, len(texts) + 1), "raw": texts}, schema={"line": pl.Int64, "raw": pl.String})
    lines = lines.filter(pl.col("raw").str.strip_chars() != "")
    nul = lines.filter(pl.col("raw").str.contains("\x00", literal=True))["line"].to_list()
    replaced = lines.filter(pl.col("raw").str.contains("\ufffd", literal=True))["line"].to_list()
    rejections = {
        "encoding": ([*undecoded, *replaced], reason("line_not_in_encoding")),
        "nul_bytes": (nul, reason("line_has_nul_bytes")),
    }
    uneven, broken = _uneven(lines, layout)
    rejections["broken_quotes"] = (broken, reason("quotes_unpaired"))
    rejections["uneven_row"] = (uneven, reason("uneven_row"))
    bad, seen = [empty_rejections()], set[int]()
    for rule, (numbers, why) in rejections.items():
        fresh = sorted(set(numbers) - seen)
        seen.update(fresh)
        bad.append(rejected_rows(fresh, None, [texts[n - 1].replace("\x00", "\\0") for n in fresh], rule, why))
    good = lines.filter(~pl.col("line").is_in(sorted(seen)))
    cells = good.select(pl.col("line").alias(LINE)).hstack(_text_cells(good["raw"], layout))
    return Chunk(cells, len(texts), _raw_lines(data), pl.concat(bad).sort("line"))


def _text_cells(rows: pl.Series, layout: TextLayout) -> pl.DataFrame:
    """Return valid lines split into cells; the csv module handles quoting that the fast parser cannot."""
    schema = dict.fromkeys(layout.columns, pl.String)
    if not len(rows):
        return pl.DataFrame(schema=dict.fromkeys(layout.wanted, pl.String))
    text = "\n".join(rows) + "\n"
    try:
        cells = pl.read_csv(
            text.encode(),
            has_header=False,
            separator=layout.separator,
            schema=schema,
            columns=layout.places,
            null_values=EMPTY_WORDS,
            quote_char='"' if '"' in text else None,
        )
        if cells.height == len(rows):
            return cells.select(pl.col(layout.wanted).replace("", None))
    except pl.exceptions.PolarsError:
        pass
    split = [split_line(row, layout.separator) for row in rows]
    cells = pl.DataFrame(split, schema=schema, orient="row").select(layout.wanted)
    return cells.with_columns(pl.all().replace(EMPTY_WORDS, [None] * len(EMPTY_WORDS)))
