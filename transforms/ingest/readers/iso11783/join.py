"""Join of the logs of one device: values of the same instant from several logs become one row."""

from collections.abc import Iterator
from dataclasses import dataclass, field

import polars as pl

from transforms.contracts.reason import reason
from transforms.errors import SourceFileError
from transforms.ingest.chunk import LINE, Chunk, empty_rejections, rejected_rows
from transforms.ingest.readers.iso11783.log_reader import REPORTED, LogReader, LogRows

MAX_OPEN = 16
"""Maximum logs of one device read at the same time; further logs are read after earlier ones end."""
MAX_WAITING_ROWS = 1_000_000
"""Maximum rows waiting for other logs to reach their instant."""
SAME_DEG, SAME = 1e-5, 1e-9
"""Tolerances for equal values: degrees of a position (about 1 m), and relative difference of other numbers."""
FOREVER = 1 << 62


@dataclass
class _Stream:
    """State of a log being read; instants are in milliseconds since 1970.

    Attributes:
        reader: reader of the log.
        begin_ms: first instant of the log.
        reach_ms: last instant read.
        rows: rows read but not yet joined.
        stretches: iterator over the rest of the log.
    """

    reader: LogReader
    begin_ms: int
    reach_ms: int = 0
    rows: list[pl.DataFrame] = field(default_factory=list)
    stretches: Iterator[LogRows] = field(default_factory=lambda: iter(()))


def reject_log(part: str, stem: str, problem: SourceFileError) -> Chunk:
    """Return a chunk that rejects an unreadable log as one row."""
    bad = rejected_rows([0], None, [stem], problem.rule, problem.reason)
    return Chunk(pl.DataFrame(schema={LINE: pl.Int64}), 0, lambda lines: [""] * len(lines), bad, part=part)


def _piece(
    reader: LogReader,
    rows: pl.DataFrame,
    rejected: pl.DataFrame,
    merged: int,
    joined: dict[str, str | None] | None = None,
) -> Chunk:
    """Return a chunk of a log, with its units and those of the logs joined to it."""

    def raw(lines: list[int]) -> list[str]:
        return [f"record {n}" for n in lines]

    cells = rows.select(pl.exclude(f"^{REPORTED}.*$")) if rows.width else pl.DataFrame(schema={LINE: pl.Int64})
    units = reader.units | {s: u for s, u in (joined or {}).items() if u is not None}
    return Chunk(cells, 0, raw, rejected, merged, reader.part, units, reader.new_findings())


def device_pieces(started: list[tuple[int, LogReader]]) -> Iterator[Chunk]:
    """Yield the rows of the logs of a device in approximate time order; rows of the same instant are joined.

    Args:
        started: (first instant in ms since 1970, reader) of each log.
    """
    waiting = [_Stream(reader, begin) for begin, reader in sorted(started, key=lambda s: (s[0], s[1].part))]
    opened: list[_Stream] = []
    reading: list[_Stream] = []
    while waiting or reading:
        while (
            waiting
            and len(reading) < MAX_OPEN
            and (not reading or waiting[0].begin_ms <= min(s.reach_ms for s in reading))
        ):
            stream = waiting.pop(0)
            stream.stretches, stream.reach_ms = stream.reader.stretches(), stream.begin_ms
            reading.append(stream)
            opened.append(stream)
        stream = min(reading, key=lambda s: s.reach_ms)
        yield from _read_on(stream, reading)
        reached = [s.reach_ms for s in reading] + [s.begin_ms for s in waiting[:1]]
        is_full = sum(f.height for s in opened for f in s.rows) > MAX_WAITING_ROWS
        yield from _emit(opened, FOREVER if is_full else min(reached, default=FOREVER))
        opened = [s for s in opened if s.rows or s in reading]


def _read_on(stream: _Stream, reading: list[_Stream]) -> Iterator[Chunk]:
    """Read the next rows of a log into its queue; yield rejected rows at once."""
    try:
        stretch = next(stream.stretches, None)
    except SourceFileError as problem:
        reading.remove(stream)
        yield reject_log(stream.reader.part, stream.reader.log.stem, problem)
        return
    if stretch is None:
        reading.remove(stream)
        return
    if stretch.rows.height:
        stream.rows.append(stretch.rows)
        last = stretch.rows["time"].drop_nulls()
        stream.reach_ms = int(last.dt.timestamp("ms")[-1]) if last.len() else stream.reach_ms
    yield _piece(stream.reader, pl.DataFrame(), stretch.rejected, stretch.merged)


def _emit(opened: list[_Stream], until_ms: int) -> Iterator[Chunk]:
    """Yield the joined rows of instants before `until_ms`."""
    is_due = pl.col("time").is_null() | (pl.col("time").dt.timestamp("ms") < until_ms)
    due: list[tuple[_Stream, pl.DataFrame]] = []
    for stream in opened:
        if not stream.rows:
            continue
        rows = pl.concat(stream.rows, how="vertical_relaxed")
        now, later = rows.filter(is_due), rows.filter(~is_due)
        stream.rows = [later] if later.height else []
        if now.height:
            due.append((stream, now))
    for i, (stream, rows) in enumerate(due):
        own, units = rows, stream.reader.known_units()
        for j, (other, theirs) in enumerate(due[i + 1 :], start=i + 1):
            more = other.reader.known_units()
            if any(units[s] != more[s] for s in units.keys() & more.keys()):
                continue
            joined = _join(own, theirs, stream.reader)
            own, due[j], units = joined.rows, (other, joined.left), units | more
            if joined.merged or joined.clashing.height:
                yield _piece(other.reader, pl.DataFrame(), joined.clashing, joined.merged)
        if own.height:
            yield _piece(stream.reader, own, empty_rejections(), 0, units)


@dataclass(frozen=True)
class _Joined:
    """Rows of a log with the values of another, and the remaining, merged (count) and clashing rows of the other."""

    rows: pl.DataFrame
    left: pl.DataFrame
    merged: int
    clashing: pl.DataFrame


def _differ(name: str, kind: pl.DataType) -> pl.Expr:
    """Return True if both logs report a value of a column and the values differ."""
    own, other = pl.col(name), pl.col(f"{name} other")
    if kind.is_float():
        slack = pl.lit(SAME_DEG) if name in {"lat", "lon"} else SAME * pl.max_horizontal(own.abs(), other.abs())
        differs = (own - other).abs() > slack
    else:
        differs = own != other
    return (pl.col(REPORTED + name) & pl.col(f"{REPORTED}{name} other") & differs).fill_null(value=False)


def _join(rows: pl.DataFrame, other: pl.DataFrame, reader: LogReader) -> _Joined:
    """Fill the rows of a log with values of another at the same instants; reported values override carried ones."""
    once = rows.filter(pl.col("time").is_first_distinct() & pl.col("time").is_not_null())
    theirs = other.filter(pl.col("time").is_first_distinct() & pl.col("time").is_not_null())
    pairs = once.join(theirs, on="time", suffix=" other", maintain_order="left")
    if not pairs.height:
        return _Joined(rows, other, 0, empty_rejections())
    names = [c.removeprefix(REPORTED) for c in rows.columns if c.startswith(REPORTED)]
    clashes = {n: _differ(n, rows.schema[n]) for n in names}
    named = pairs.with_columns(pl.coalesce(pl.when(c).then(pl.lit(n)) for n, c in clashes.items()).alias("clash"))
    clashed, same = named.filter(pl.col("clash").is_not_null()), named.filter(pl.col("clash").is_null())
    filled = same.with_columns(
        [_filled(n) for n in names] + [pl.col(REPORTED + n) | pl.col(f"{REPORTED}{n} other") for n in names]
    ).select(rows.columns)
    result = pl.concat([rows.join(filled, on=LINE, how="anti", maintain_order="left"), filled]).sort(LINE)
    taken = pairs.select(pl.col(f"{LINE} other").alias(LINE))
    return _Joined(
        result, other.join(taken, on=LINE, how="anti", maintain_order="left"), same.height, _clashing(clashed, reader)
    )


def _filled(name: str) -> pl.Expr:
    """Return a column filled from the other log, which takes precedence if only it reports a value."""
    own, other = pl.col(name), pl.col(f"{name} other")
    is_newer = pl.col(f"{REPORTED}{name} other") & ~pl.col(REPORTED + name) & other.is_not_null()
    return pl.when(is_newer).then(other).otherwise(pl.coalesce(own, other)).alias(name)


def _clashing(pairs: pl.DataFrame, reader: LogReader) -> pl.DataFrame:
    """Return rejected rows of another log whose values contradict those of the same instant."""
    bad = [empty_rejections()]
    for (column,), part in pairs.group_by("clash", maintain_order=True):
        lines = part[f"{LINE} other"].to_list()
        why = reason("logs_differ", column=str(column)[:80], part=reader.part[-80:])
        bad.append(rejected_rows(lines, str(column), [f"record {n}" for n in lines], "logs_differ", why))
    return pl.concat(bad)
