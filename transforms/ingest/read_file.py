"""Reading of one file: telemetry is written to the lake; other rows and rejected rows are returned to the caller.

All parsing of untrusted files happens here, in a reader process (`isolated_read`); no warehouse is needed.
"""

import datetime as dt
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import cast

import polars as pl

from transforms.config.settings_catalogue import Catalogue
from transforms.contracts.reason import Reason
from transforms.ingest.chunk import Chunk, Source
from transforms.ingest.duplicates import split_clashes
from transforms.ingest.inbox import InboxFile
from transforms.ingest.mapping import Mapping
from transforms.ingest.readers.open import open_source
from transforms.ingest.row_spool import RowSpool, SpooledRows
from transforms.ingest.telemetry_writer import StoredSpan, TelemetryWriter
from transforms.ingest.validate import Reader, ValidatedChunk
from transforms.storage.lake import Lake
from transforms.storage.lake_file import LakeFile

READ_AHEAD = 3
"""Maximum chunks read in parallel and held in memory."""


@dataclass
class IngestedFile:
    """Result of ingesting one file; `rows_in = rows_accepted + rows_rejected + rows_repeated`.

    Attributes:
        file: path relative to the inbox.
        kind: kind of file; None if no mapping matches.
        mapping: name of the mapping; None if no mapping matches.
        rows_in: rows in the file.
        rows_accepted: rows stored.
        rows_rejected: rows rejected with a reason.
        rows_repeated: rows that repeat another row.
        header: raw lines above the rows.
        from_at: earliest time of its accepted rows.
        to_at: latest time of its accepted rows.
        findings: notes for the user on how the file was read.
        spans: spans of its telemetry on the lake.
        failed: class and location of an internal error.
        failure_code: rule of its single rejected row, if its reader failed.
    """

    file: str
    kind: str | None
    mapping: str | None = None
    rows_in: int = 0
    rows_accepted: int = 0
    rows_rejected: int = 0
    rows_repeated: int = 0
    header: str = ""
    from_at: dt.datetime | None = None
    to_at: dt.datetime | None = None
    findings: list[Reason] = field(default_factory=list)
    spans: list[StoredSpan] = field(default_factory=list)
    failed: str = ""
    failure_code: str = ""


@dataclass(frozen=True)
class ReadJob:
    """A file to read.

    Attributes:
        found: the file.
        mapping: the mapping that reads it.
        catalogue: the machine settings of the workspace.
        known: lake with the telemetry of other files.
        onto: lake that its own telemetry is written to.
        recorded: hash prefixes of the sources whose telemetry is valid.
        rolled: machine-days whose records have expired.
    """

    found: InboxFile
    mapping: Mapping
    catalogue: Catalogue
    known: Lake
    onto: Lake
    recorded: frozenset[str]
    rolled: frozenset[tuple[str, dt.date]]


@dataclass(frozen=True)
class FileRead:
    """Result of reading a file, before it is recorded in the warehouse.

    Attributes:
        received: its counts; for kinds other than telemetry, rows repeated from other files are not yet counted.
        rows: accepted rows with `line` and `part`; empty for telemetry, which is on the lake.
        rejected: its rejected rows.
        files: its telemetry files on the lake.
    """

    received: IngestedFile
    rows: pl.DataFrame
    rejected: SpooledRows
    files: list[LakeFile] = field(default_factory=list)


def _validated(reader: Reader, read: Callable[[], Chunk]) -> ValidatedChunk:
    """Read a chunk and validate it."""
    return reader.check(read())


def _in_order(source: Source, reader: Reader) -> Iterator[ValidatedChunk]:
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


class _RowCollector:
    """Collector of the rows and counts of a file, chunk by chunk."""

    def __init__(self, received: IngestedFile, found: InboxFile, reader: Reader) -> None:
        self.received, self.found = received, found
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
            taken = pl.concat(self.accepted) if self.accepted else None
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
        named = rows.with_columns(
            pl.col("line") + self.base,
            pl.lit(part, dtype=pl.String).alias("part"),
            pl.lit(self.found.sha).alias("source_sha256"),
            pl.lit(self.found.file).alias("file"),
        )
        self.rejected.add(named)


def read_file(job: ReadJob) -> FileRead:
    """Read a file and write its telemetry to the lake.

    Raises:
        SourceFileError: the whole file cannot be read through its mapping.
    """
    found, mapping = job.found, job.mapping
    received = IngestedFile(found.file, mapping.kind, mapping.name)
    source, reader = open_source(found.path, Reader(mapping, job.catalogue, found.path.name))
    received.header = source.header
    rows, files = _RowCollector(received, found, reader), list[LakeFile]()
    if mapping.kind != "telemetry":
        for checked in _in_order(source, reader):
            rows.take(checked, None)
    else:
        with TelemetryWriter(job.onto, job.known, found.sha, set(job.recorded), set(job.rolled)) as writer:
            for checked in _in_order(source, reader):
                rows.take(checked, writer)
        received.spans, files = writer.spans, writer.files
    accepted = pl.concat(rows.accepted) if rows.accepted else pl.DataFrame()
    return FileRead(received, accepted, rows.rejected.finish(), files)
