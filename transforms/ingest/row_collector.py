"""Collector of the validated rows of one file and mapping, chunk by chunk."""

from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TYPE_CHECKING, cast

import polars as pl

from transforms.ingest.chunk import Chunk, Source
from transforms.ingest.duplicates import split_clashes
from transforms.ingest.file_read import IngestedFile
from transforms.ingest.inbox import InboxFile
from transforms.ingest.row_spool import RowSpool
from transforms.ingest.telemetry_writer import TelemetryWriter
from transforms.ingest.validate import Reader, ValidatedChunk

if TYPE_CHECKING:
    import datetime as dt

READ_AHEAD = 3
"""Maximum chunks read in parallel and held in memory."""


def _validated(reader: Reader, read: Callable[[], Chunk]) -> ValidatedChunk:
    """Read a chunk and validate it."""
    return reader.check(read())


def validated_chunks(source: Source, reader: Reader) -> Iterator[ValidatedChunk]:
    """Yield validated chunks in file order; chunks are read in parallel if the process has several threads."""
    if pl.thread_pool_size() == 1:
        try:
            yield from (reader.check(read()) for read in source.pieces)
        finally:
            source.close()
        return
    waiting: deque[Future[ValidatedChunk]] = deque()
    with ThreadPoolExecutor(2) as pool:
        try:
            for read in source.pieces:
                waiting.append(pool.submit(_validated, reader, read))
                if len(waiting) >= READ_AHEAD:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
        finally:
            pool.shutdown(cancel_futures=True)
            source.close()


def source_columns(found: InboxFile, mapping: str | None) -> dict[str, pl.Expr]:
    """Return the columns that name the source of a rejected row."""
    return {
        "part": pl.lit(None, dtype=pl.String),
        "source_sha256": pl.lit(found.sha),
        "file": pl.lit(found.file),
        "mapping": pl.lit(mapping, dtype=pl.String),
    }


class RowCollector:
    """Collector of the rows and counts of a file, chunk by chunk.

    Args:
        received: receives the counts.
        found: the file.
        reader: validator of its rows.
        earlier: accepted rows of the same kind from other sheets of the file.
    """

    def __init__(self, received: IngestedFile, found: InboxFile, reader: Reader, earlier: list[pl.DataFrame]) -> None:
        self.received, self.found, self.earlier = received, found, earlier
        self.key = reader.schema.primary_key()
        self.accepted: list[pl.DataFrame] = []
        self.rejected = RowSpool()
        self.base = 0

    def take(self, checked: ValidatedChunk, writer: TelemetryWriter | None) -> None:
        """Count the rows of a validated chunk and store them, in the writer if there is one."""
        chunk = checked.chunk
        if writer is not None:
            accepted, clashes, repeated = writer.add(checked.good, chunk, self.base)
            self._extend_span(checked.good)
        else:
            frames = [*self.earlier, *self.accepted]
            taken = pl.concat(frames) if frames else None
            split = split_clashes(checked.good, self.key, chunk, taken)
            part = pl.lit(chunk.part, dtype=pl.String).alias("part")
            new = split.new.drop("row").with_columns(pl.col("line") + self.base, part)
            self.accepted.append(new)
            self._extend_span(new)
            accepted, clashes, repeated = new.height, split.rejected, split.repeated
        self.received.rows_in += checked.rows_in
        self.received.rows_accepted += accepted
        self.received.rows_repeated += checked.rows_repeated + repeated
        self._reject(pl.concat([checked.rejected, clashes]), chunk.part)
        self.received.findings += [f for f in chunk.findings if f not in self.received.findings]
        self.base += chunk.lines

    def _extend_span(self, rows: pl.DataFrame) -> None:
        """Extend the time span of the file by the times of accepted rows."""
        columns = [
            c for c in ("logged_at", "weighed_at", "audited_at", "checked_at", "hour_at", "day_at") if c in rows.columns
        ]
        if not columns or not rows[columns[0]].count():
            return
        first, last = cast("dt.datetime", rows[columns[0]].min()), cast("dt.datetime", rows[columns[0]].max())
        received = self.received
        received.from_at = first if received.from_at is None else min(received.from_at, first)
        received.to_at = last if received.to_at is None else max(received.to_at, last)

    def _reject(self, rows: pl.DataFrame, part: str | None) -> None:
        """Count and store rejected rows."""
        self.received.rows_rejected += rows.height
        own = {**source_columns(self.found, self.received.mapping), "part": pl.lit(part, dtype=pl.String)}
        named = rows.with_columns(pl.col("line") + self.base, **own)
        self.rejected.add(named)
