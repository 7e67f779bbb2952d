"""Reader of the GHCN-Daily layouts: comma-separated with one reading per line, and `.dly` with fixed-width lines.

A `.dly` line contains one month of one element at one station. Values keep the units of the archive (tenths of mm and
°C); `sql/staging/weather_day.sql` converts those in use. A value with a quality flag, which failed a check of the
archive, is rejected.
"""

import os
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import polars as pl

from transforms.contracts.reason import reason
from transforms.errors import SourceFileError
from transforms.ingest.chunk import LINE, RAW_CHARACTERS, Chunk, Source, rejected_rows
from transforms.ingest.mapping import Mapping
from transforms.ingest.readers.delimited import BLOCK_BYTES, byte_blocks, endless_line
from transforms.ingest.readers.read_at import read_at

MISSING = -9999
MAX_LINE_BYTES = 600
"""Maximum length of a line; a fixed-width month has 269 characters, a reading fewer."""
NAMES = ["station_id", "day", "element", "value", "measured", "quality", "source", "clock"]


def open_ghcn(path: Path, mapping: Mapping) -> Source:  # noqa: ARG001
    """Open a GHCN-Daily file; each row is one daily value of one element at one station.

    Raises:
        SourceFileError: the first line has neither layout.
    """
    handle = path.open("rb")
    first = read_at(handle.fileno(), 400, 0).split(b"\n")[0]
    is_monthly = len(first.rstrip()) >= 29 and b"," not in first
    if not is_monthly and first.count(b",") not in {6, 7}:
        handle.close()
        raise SourceFileError("not_ghcn", reason("not_ghcn"))
    return Source("", _pieces(handle.fileno(), _months if is_monthly else _readings), handle.close)


def _pieces(fd: int, layout: Callable[[pl.DataFrame], pl.DataFrame]) -> Iterator[Callable[[], Chunk]]:
    for start, end in byte_blocks(fd, 0, os.fstat(fd).st_size):
        yield partial(_read_block, fd, start, end, layout)


def _read_block(fd: int, start: int, end: int, layout: Callable[[pl.DataFrame], pl.DataFrame]) -> Chunk:
    if end - start > 2 * BLOCK_BYTES:
        return endless_line(read_at(fd, RAW_CHARACTERS, start), end - start)
    texts = [t.rstrip("\r") for t in read_at(fd, end - start, start).decode("ascii", "backslashreplace").split("\n")]
    spanned = len(texts) - (texts[-1] == "")
    lines = pl.DataFrame(
        {"line": range(1, spanned + 1), "raw": texts[:spanned]}, schema={"line": pl.Int64, "raw": pl.String}
    )
    filled = lines.filter(pl.col("raw").str.strip_chars() != "")
    long = filled.filter(pl.col("raw").str.len_bytes() > MAX_LINE_BYTES)
    rows = layout(filled.filter(pl.col("raw").str.len_bytes() <= MAX_LINE_BYTES)).with_columns(
        pl.col("value").str.strip_chars().cast(pl.Int64, strict=False),
        pl.col("day").str.to_datetime("%Y%m%d", strict=False, time_unit="us", time_zone="UTC").alias("day_at"),
    )
    rows = rows.filter(pl.col("value").is_null() | (pl.col("value") != MISSING))
    unread = rows.filter(pl.any_horizontal(pl.col("value", "day_at", "element").is_null()))
    flagged = rows.filter(
        pl.all_horizontal(pl.col("value", "day_at", "element").is_not_null()) & (pl.col("quality") != "")
    )
    good = rows.filter(
        pl.all_horizontal(pl.col("value", "day_at", "element").is_not_null()) & (pl.col("quality") == "")
    )
    not_a_reading, flag = reason("not_a_reading"), reason("quality_flag")
    bad = pl.concat(
        [
            rejected_rows(long["line"].to_list(), None, long["raw"].to_list(), "not_a_reading", not_a_reading),
            rejected_rows(unread["line"].to_list(), None, unread["raw"].to_list(), "not_a_reading", not_a_reading),
            rejected_rows(flagged["line"].to_list(), "value", flagged["raw"].to_list(), "quality_flag", flag),
        ]
    )
    cells = good.select("station_id", "day_at", "element", pl.col("value").cast(pl.Float64), pl.col("line").alias(LINE))
    return Chunk(cells, spanned, lambda numbers: [texts[n - 1] for n in numbers], bad)


def _readings(lines: pl.DataFrame) -> pl.DataFrame:
    """Split comma-separated lines: station, yyyymmdd, element, value, three flags, time of observation."""
    cells = lines["raw"].str.split_exact(",", 7).struct.rename_fields(NAMES).struct.unnest()
    return lines.hstack(cells).with_columns(pl.col("quality").fill_null("").str.strip_chars())


def _months(lines: pl.DataFrame) -> pl.DataFrame:
    """Split fixed-width lines: station 11, year 4, month 2, element 4, then 31 times value 5 and three flags."""
    raw = pl.col("raw")
    days = [
        lines.with_columns(
            raw.str.slice(0, 11).alias("station_id"),
            (raw.str.slice(11, 6) + f"{day:02d}").alias("day"),
            raw.str.slice(17, 4).alias("element"),
            raw.str.slice(21 + 8 * (day - 1), 5).alias("value"),
            raw.str.slice(27 + 8 * (day - 1), 1).str.strip_chars().alias("quality"),
        ).filter(pl.col("value").str.strip_chars() != "")
        for day in range(1, 32)
    ]
    return pl.concat(days).sort("line", "day", maintain_order=True)
