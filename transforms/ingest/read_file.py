"""Reads one file, without a warehouse: telemetry onto the lake, rows of lists and rejected rows back to the caller.

This is all that parses what people send, and it runs in a reader process (`isolated_read`).
"""

import datetime as dt
from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field

import polars as pl

from transforms.config.settings_catalogue import Catalogue
from transforms.ingest.chunk import Source
from transforms.ingest.inbox import InboxFile
from transforms.ingest.mapping import Mapping
from transforms.ingest.readers.open import open_source
from transforms.ingest.row_spool import RowSpool, SpooledRows
from transforms.ingest.telemetry_writer import StoredSpan, TelemetryWriter
from transforms.ingest.validate import Reader, ValidatedChunk, split_clashes
from transforms.storage.lake import Lake
from transforms.storage.lake_file import LakeFile

READ_AHEAD = 3
"""Pieces read side by side, and held in memory at once."""


@dataclass
class IngestedFile:
    """One file taken in; `rows_in = rows_accepted + rows_rejected + rows_repeated`.

    Attributes:
        file: its path inside the inbox.
        says: what the person should know of how it was read.
        from_at: the earliest time its accepted rows tell of.
        to_at: the latest.
        lies: where its telemetry lies on the lake.
        failed: class and place of an internal error with it.
        failure_code: the rule of its one rejected row if its reader failed.
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
    says: list[str] = field(default_factory=list)
    lies: list[StoredSpan] = field(default_factory=list)
    failed: str = ""
    failure_code: str = ""


@dataclass(frozen=True)
class ReadJob:
    """A file to read.

    Attributes:
        found: the file.
        mapping: how to read it.
        catalogue: the settings known.
        known: where telemetry of other files lies.
        onto: where its own telemetry goes.
        recorded: prefixes of the sources whose telemetry counts.
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
    """A file that was read.

    Attributes:
        received: its counts; of a list, repeats of other files are not counted yet.
        rows: accepted rows of a list, with `line` and `part`; none of telemetry, which lies on the lake.
        rejected: its rejected rows.
        files: the files of its telemetry on the lake.
    """

    received: IngestedFile
    rows: pl.DataFrame
    rejected: SpooledRows
    files: list[LakeFile] = field(default_factory=list)


def _in_order(source: Source, reader: Reader) -> Iterator[ValidatedChunk]:
    """Read and check pieces in the file's order, side by side where this process has more than one thread."""
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
                waiting.append(pool.submit(lambda read=read: reader.check(read())))  # type: ignore[misc]
                if len(waiting) >= READ_AHEAD:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
        finally:
            pool.shutdown(cancel_futures=True)
            source.close()


class _Rows:
    """Counts a file's rows and keeps them, piece by piece."""

    def __init__(self, received: IngestedFile, found: InboxFile, reader: Reader) -> None:
        self.received, self.found = received, found
        self.key = reader.schema.primary_key()
        self.accepted: list[pl.DataFrame] = []
        self.rejected = RowSpool()
        self.base = 0

    def take(self, checked: ValidatedChunk, shelf: TelemetryWriter | None) -> None:
        """Count a checked piece and keep its rows."""
        piece = checked.piece
        if shelf is not None:
            accepted, clashes, repeated = shelf.add(checked.good, piece, self.base)
            self._span(checked.good)
        else:
            taken = pl.concat(self.accepted) if self.accepted else None
            kept, clashes, repeated = split_clashes(checked.good, self.key, piece, taken)
            part_of = pl.lit(piece.part, dtype=pl.String).alias("part")
            kept = kept.drop("row").with_columns(pl.col("line") + self.base, part_of)
            self.accepted.append(kept)
            self._span(kept)
            accepted = kept.height
        self.received.rows_in += checked.rows_in
        self.received.rows_accepted += accepted
        self.received.rows_repeated += checked.rows_repeated + repeated
        self._reject(pl.concat([checked.rejected, clashes]), piece.part)
        self.received.says += [s for s in piece.findings if s not in self.received.says]
        self.base += piece.lines

    def _span(self, kept: pl.DataFrame) -> None:
        clocks = [c for c in ("logged_at", "weighed_at", "audited_at", "hour_at", "day_at") if c in kept.columns]
        if not clocks or not kept[clocks[0]].count():
            return
        first: dt.datetime = kept[clocks[0]].min()  # type: ignore[assignment]
        last: dt.datetime = kept[clocks[0]].max()  # type: ignore[assignment]
        received = self.received
        received.from_at = first if received.from_at is None else min(received.from_at, first)
        received.to_at = last if received.to_at is None else max(received.to_at, last)

    def _reject(self, rows: pl.DataFrame, part: str | None) -> None:
        self.received.rows_rejected += rows.height
        named = rows.with_columns(
            pl.col("line") + self.base,
            pl.lit(part, dtype=pl.String).alias("part"),
            pl.lit(self.found.sha).alias("source_sha256"),
            pl.lit(self.found.file).alias("file"),
        )
        self.rejected.add(named)


def read_file(job: ReadJob) -> FileRead:
    """Read a file.

    Raises:
        SourceFileError: as a whole it cannot be read through its mapping.
    """
    found, mapping = job.found, job.mapping
    received = IngestedFile(found.file, mapping.kind, mapping.name)
    source, reader = open_source(found.path, Reader(mapping, job.catalogue, found.path.name))
    received.header = source.header
    rows, files = _Rows(received, found, reader), list[LakeFile]()
    if mapping.kind != "telemetry":
        for checked in _in_order(source, reader):
            rows.take(checked, None)
    else:
        with TelemetryWriter(job.onto, job.known, found.sha, set(job.recorded), set(job.rolled)) as shelf:
            for checked in _in_order(source, reader):
                rows.take(checked, shelf)
        received.lies, files = shelf.lies, shelf.files
    listed = pl.concat(rows.accepted) if rows.accepted else pl.DataFrame()
    return FileRead(received, listed, rows.rejected.finish(), files)
