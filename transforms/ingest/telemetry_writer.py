"""Puts a source's telemetry on the lake, a machine-day at a time, and counts what was said before.

Memory holds a few machine-days, whatever the file's size. Rows in order of time, of minutes that nobody else has told
of, are new by that alone; only where times overlap is what lies on the lake read and compared.
"""

import datetime as dt
from collections import deque
from concurrent.futures import Future, ThreadPoolExecutor
from types import TracebackType
from typing import TYPE_CHECKING, Self

import polars as pl

from transforms.ingest.chunk import Chunk, none_rejected, rejected_rows
from transforms.ingest.validate import split_clashes
from transforms.storage.lake import PREFIX, Lake, LakePath, read_frame

if TYPE_CHECKING:
    from transforms.storage.lake_file import LakeFile

KEY = ["machine_id", "logged_at"]
ROLLED_UP = "the records of this machine and day have given way to bins; it cannot be told whether this one is new"
PENDING_ROWS = 400_000
WRITES_AHEAD = 4
MachineDay = tuple[str, dt.date]
StoredSpan = tuple[str, str, int, int]
"""Machine folder, day, first and last microsecond since 1970 of a telemetry file."""


def _machine_days(rows: pl.DataFrame) -> list[tuple[MachineDay, pl.DataFrame]]:
    """Split rows by machine and day: where each stands in one run, as logs do, by slices that copy nothing."""
    if not rows.height:
        return []
    named = rows.select("machine_id", pl.col("logged_at").dt.date().alias("day"))
    turns = (pl.col("machine_id") != pl.col("machine_id").shift()) | (pl.col("day") != pl.col("day").shift())
    starts = [0, *named.select(turns.fill_null(value=False).arg_true()).to_series().to_list()]
    keys: list[MachineDay] = [named.row(s) for s in starts]
    if len(set(keys)) == len(keys):
        ends = [*starts[1:], rows.height]
        return [(k, rows[s:e]) for k, s, e in zip(keys, starts, ends, strict=True)]
    dated = rows.with_columns(named["day"])
    parts = dated.partition_by("machine_id", "day", maintain_order=True, as_dict=True)
    return [((str(m), d), part.drop("day")) for (m, d), part in parts.items()]


class TelemetryWriter:
    """One source's way to the lake.

    Args:
        lake: where its rows are written.
        known: where rows of other sources lie.
        source: its sha-256.
        recorded: prefixes of the sources already recorded.
        rolled: machine-days whose records are let go: what is told of them cannot be compared.
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

    def add(self, rows: pl.DataFrame, piece: Chunk, base: int) -> tuple[int, pl.DataFrame, int]:
        """Sort good rows of a piece by machine-day, and keep what is new.

        Returns:
            (how many rows were kept, rejected rows, rows repeated); rejected lines count from the piece's start.
        """
        kept, rejected, repeated, touched = 0, [none_rejected()], 0, set[MachineDay]()
        for key, part in _machine_days(rows):
            touched.add(key)
            fresh, bad, again = self._settle(key, part, piece)
            rejected.append(bad)
            repeated += again
            kept += fresh.height
            if fresh.height:
                part_of = pl.lit(piece.part, dtype=pl.String).alias("part")
                fresh = fresh.drop("row").with_columns(pl.col("line") + base, part_of)
                self.pending.setdefault(key, []).append(fresh)
        self._flush([k for k in self.pending if k not in touched])
        if sum(f.height for frames in self.pending.values() for f in frames) > PENDING_ROWS:
            self._flush(list(self.pending))
        return kept, pl.concat(rejected), repeated

    def _settle(self, key: MachineDay, part: pl.DataFrame, piece: Chunk) -> tuple[pl.DataFrame, pl.DataFrame, int]:
        if key in self.rolled:
            lines = part["line"].to_list()
            return part.clear(), rejected_rows(lines, "logged_at", piece.raw(lines), "rolled_up", ROLLED_UP), 0
        times = part["logged_at"]
        if key not in self.others:
            paths = self.known.telemetry_of(*key, self.recorded)
            self.others[key] = [(p, *self.known.span_of(p.name)) for p in paths]
        last = self.last.get(key)
        newest: dt.datetime = times.max()  # type: ignore[assignment]
        self.last[key] = newest if last is None else max(last, newest)
        ticks = times.to_physical().to_numpy()
        rising = bool((ticks[1:] > ticks[:-1]).all())
        beside = [p for p, first, end in self.others[key] if first <= ticks.max() and end >= ticks.min()]
        if rising and not beside and (last is None or times[0] > last):
            return part, none_rejected(), 0
        fresh, bad, repeated = split_clashes(part, KEY, piece, self._own(key) if last is not None else None)
        if beside:
            told = pl.concat([read_frame(p) for p in beside], how="diagonal")
            columns = [c for c in part.columns if c not in {"line", "row"}]
            told = told.with_columns(
                pl.lit(None, dtype=part.schema[c]).alias(c) for c in columns if c not in told.columns
            )
            new = fresh.join(told.select(columns), on=columns, how="anti", nulls_equal=True, maintain_order="left")
            repeated += fresh.height - new.height
            fresh = new
        return fresh, bad, repeated

    def _own(self, key: MachineDay) -> pl.DataFrame | None:
        """What this source itself said of a machine-day so far."""
        self._wait(0)
        written = [read_frame(p) for p in self.lake.telemetry_of(*key, {self.source[:PREFIX]})]
        frames = [*written, *self.pending.get(key, [])]
        return pl.concat(frames, how="diagonal") if frames else None

    def _flush(self, keys: list[MachineDay]) -> None:
        for key in keys:
            rows = pl.concat(self.pending.pop(key))
            self.parts += 1
            self.writes.append(self.writer.submit(self.lake.put_telemetry, rows, *key, self.source, self.parts))
            self._wait(WRITES_AHEAD)

    def _wait(self, most: int) -> None:
        while len(self.writes) > most:
            self.files.append(self.writes.popleft().result())

    @property
    def lies(self) -> list[StoredSpan]:
        """Where the rows written so far lie."""
        return [(f.machine, f.day, *self.lake.span_of(f.stem)) for f in self.files]
