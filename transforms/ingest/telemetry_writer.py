"""Writer of telemetry to the lake, one machine-day at a time, with detection of repeated rows.

Memory use is a few machine-days, regardless of file size. Rows in time order whose span no other source covers are
new without comparison; stored rows are read and compared only if times overlap.
"""

import datetime as dt
from collections import deque
from concurrent.futures import Future, ThreadPoolExecutor
from types import TracebackType
from typing import TYPE_CHECKING, NamedTuple, Self, cast

import polars as pl

from transforms.contracts.reason import reason
from transforms.ingest.chunk import Chunk, empty_rejections, rejected_rows
from transforms.ingest.duplicates import SplitRows, split_clashes
from transforms.storage.lake import PREFIX, Lake, LakePath, read_frame

if TYPE_CHECKING:
    from transforms.storage.lake_file import LakeFile

KEY = ["machine_id", "logged_at"]
EXPIRED = reason("records_expired")
"""Reason for rejecting a record of a machine-day with expired records: it may repeat one of them."""
PENDING_ROWS = 400_000
WRITES_AHEAD = 4
MachineDay = tuple[str, dt.date]
StoredSpan = tuple[str, str, int, int]
"""Span of a telemetry file: machine folder, day, first and last time in microseconds since 1970."""


def _machine_days(rows: pl.DataFrame) -> list[tuple[MachineDay, pl.DataFrame]]:
    """Return the rows of each machine-day; if each machine-day is one run, as in most logs, without copying."""
    if not rows.height:
        return []
    named = rows.select("machine_id", pl.col("logged_at").dt.date().alias("day"))
    changes = (pl.col("machine_id") != pl.col("machine_id").shift()) | (pl.col("day") != pl.col("day").shift())
    starts = [0, *named.select(changes.fill_null(value=False).arg_true()).to_series().to_list()]
    keys: list[MachineDay] = [named.row(s) for s in starts]
    if len(set(keys)) == len(keys):
        ends = [*starts[1:], rows.height]
        return [(k, rows[s:e]) for k, s, e in zip(keys, starts, ends, strict=True)]
    dated = rows.with_columns(named["day"])
    parts = dated.partition_by("machine_id", "day", maintain_order=True, as_dict=True)
    return [((str(m), d), part.drop("day")) for (m, d), part in parts.items()]


class AddedRows(NamedTuple):
    """Outcome of adding a chunk: number of new rows, rejected rows, and number of repeated rows."""

    accepted: int
    rejected: pl.DataFrame
    repeated: int


class TelemetryWriter:
    """Writer of the telemetry of one source.

    Args:
        lake: lake that its rows are written to.
        known: lake with the rows of other sources.
        source: sha-256 of the source.
        recorded: hash prefixes of the sources already recorded.
        rolled: machine-days whose records have expired; their rows cannot be compared and are rejected.
    """

    def __init__(self, lake: Lake, known: Lake, source: str, recorded: set[str], rolled: set[MachineDay]) -> None:
        self.lake, self.known, self.source, self.recorded, self.rolled = lake, known, source, recorded, rolled
        self.pending: dict[MachineDay, list[pl.DataFrame]] = {}
        self.last: dict[MachineDay, dt.datetime] = {}
        self.others: dict[MachineDay, list[tuple[LakePath, int, int]]] = {}
        self.parts = 0
        self.writer = ThreadPoolExecutor(2)
        self.writes: deque[Future[LakeFile]] = deque()
        self.files: list[LakeFile] = []

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            if kind is None:
                self._flush(list(self.pending))
                self._wait(0)
        finally:
            self.writer.shutdown(cancel_futures=True)

    def add(self, rows: pl.DataFrame, chunk: Chunk, base: int) -> AddedRows:
        """Queue the new rows among the good rows of a chunk for writing, by machine-day.

        Args:
            rows: good rows with `line` and `row`.
            chunk: the chunk that contains them.
            base: number of lines before the chunk.

        Returns:
            Counts and rejected rows, whose lines count from the chunk start.
        """
        accepted, rejected, repeated, touched = 0, [empty_rejections()], 0, set[MachineDay]()
        for key, part in _machine_days(rows):
            touched.add(key)
            split = self._split(key, part, chunk)
            rejected.append(split.rejected)
            repeated += split.repeated
            accepted += split.new.height
            if split.new.height:
                file_part = pl.lit(chunk.part, dtype=pl.String).alias("part")
                new = split.new.drop("row").with_columns(pl.col("line") + base, file_part)
                self.pending.setdefault(key, []).append(new)
        self._flush([k for k in self.pending if k not in touched])
        if sum(f.height for frames in self.pending.values() for f in frames) > PENDING_ROWS:
            self._flush(list(self.pending))
        return AddedRows(accepted, pl.concat(rejected), repeated)

    def _split(self, key: MachineDay, part: pl.DataFrame, chunk: Chunk) -> SplitRows:
        """Return the rows of a machine-day compared with all earlier rows."""
        if key in self.rolled:
            lines = part["line"].to_list()
            rejected = rejected_rows(lines, "logged_at", chunk.raw(lines), "rolled_up", EXPIRED)
            return SplitRows(part.clear(), rejected, 0)
        times = part["logged_at"]
        if key not in self.others:
            paths = self.known.telemetry_of(*key, self.recorded)
            self.others[key] = [(p, *self.known.time_span(p.name)) for p in paths]
        last = self.last.get(key)
        newest = cast("dt.datetime", times.max())
        self.last[key] = newest if last is None else max(last, newest)
        ticks = times.to_physical().to_numpy()
        is_rising = bool((ticks[1:] > ticks[:-1]).all())
        overlapping = [p for p, first, end in self.others[key] if first <= ticks.max() and end >= ticks.min()]
        if is_rising and not overlapping and (last is None or times[0] > last):
            return SplitRows(part, empty_rejections(), 0)
        fresh, bad, repeated = split_clashes(part, KEY, chunk, self._own(key) if last is not None else None)
        if overlapping:
            stored = pl.concat([read_frame(p) for p in overlapping], how="diagonal")
            columns = [c for c in part.columns if c not in {"line", "row"}]
            stored = stored.with_columns(
                pl.lit(None, dtype=part.schema[c]).alias(c) for c in columns if c not in stored.columns
            )
            new = fresh.join(stored.select(columns), on=columns, how="anti", nulls_equal=True, maintain_order="left")
            repeated += fresh.height - new.height
            fresh = new
        return SplitRows(fresh, bad, repeated)

    def _own(self, key: MachineDay) -> pl.DataFrame | None:
        """Return the earlier rows of this source for a machine-day; None if there are none."""
        self._wait(0)
        written = [read_frame(p) for p in self.lake.telemetry_of(*key, {self.source[:PREFIX]})]
        frames = [*written, *self.pending.get(key, [])]
        return pl.concat(frames, how="diagonal") if frames else None

    def _flush(self, keys: list[MachineDay]) -> None:
        """Write the pending rows of machine-days in the background."""
        for key in keys:
            rows = pl.concat(self.pending.pop(key))
            self.parts += 1
            self.writes.append(self.writer.submit(self.lake.put_telemetry, rows, *key, self.source, self.parts))
            self._wait(WRITES_AHEAD)

    def _wait(self, max_writes: int) -> None:
        """Wait until at most `max_writes` writes are in progress."""
        while len(self.writes) > max_writes:
            self.files.append(self.writes.popleft().result())

    @property
    def spans(self) -> list[StoredSpan]:
        """Spans of the telemetry files written so far."""
        return [(f.machine, f.day, *self.lake.time_span(f.stem)) for f in self.files]
