"""Strict, resynchronising and vectorised parser of the binary records of a time log.

A record: milliseconds of the day (u32), days since 1980-01-01 (u16), the position fields that the header leaves
empty, a count n (u8), and n times an index (u8) and a value (i32). All little endian; time and date are local.

Record starts are found from all bytes at once: a position may start a record if its date is within a day of the
previous one, its time is a time of day, and it ends where another record starts. Bytes are searched one by one only if
that chain breaks.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.lib.stride_tricks import as_strided
from numpy.typing import NDArray

from transforms.contracts.reason import reason
from transforms.errors import SourceFileError
from transforms.ingest.readers.iso11783.log_header import Layout
from transforms.ingest.readers.iso11783.task_data import DAY_MS

CHUNK_BYTES = 2 << 20
MAX_CELLS = 4_000_000
"""Maximum values yielded at a time; this bounds memory, even if records are short."""
MAX_DAYS = 400
"""Maximum date changes in one log; each causes a search through the rest of the log."""
FIRST_DAY, LAST_DAY = 3_653, 43_829
"""1990-01-01 and 2100-01-01 in days since 1980-01-01."""
PAUSE_DAYS = 60
NO_DAY = -1
EVEN_RECORDS = 64
Bytes = NDArray[np.uint8]
Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Records:
    """Consecutive records of a log.

    Attributes:
        head: one structured value per record: `ms, day`, the position fields, `n`.
        values: array (wanted + 1) x records; NaN if a record does not report a value; the last row is a dummy.
        gaps: (offset in the file, bytes skipped, their first bytes, records before them) of bytes that are not records.
    """

    head: NDArray[np.void]
    values: Floats
    gaps: list[tuple[int, int, bytes, int]]


class _Found(NamedTuple):
    """Record starts in a buffer, the number of bytes processed, and gaps (from, to) that are not records."""

    starts: Ints
    done: int
    gaps: list[tuple[int, int]]


def _ms(columns: Sequence[Bytes] | Bytes) -> NDArray[Any]:
    """Return milliseconds of the day from their four bytes."""
    low, second, third, top = (columns[i].astype(np.uint32) for i in range(4))
    return low | (second << 8) | (third << 16) | (top << 24)


class _Walker:
    """Record finder for consecutive buffers; it keeps the date of the last accepted record."""

    def __init__(self, layout: Layout) -> None:
        self.size = layout.head.itemsize
        self.indices = len(layout.values)
        self.day = NO_DAY
        self.days = 0

    def begin(self, data: Bytes, *, final: bool) -> bool:
        """Set the date from the first record that is followed by another one or ends the log.

        Once a date is known, only dates within two months of it are accepted, as a log may have paused.

        Args:
            data: the buffer.
            final: True if the buffer ends the log.

        Returns:
            False if there is no such record.
        """
        low, high = (FIRST_DAY, LAST_DAY) if self.day == NO_DAY else (self.day - PAUSE_DAYS, self.day + PAUSE_DAYS)
        for window in (data[:4096], data):
            days = self._days(window)
            starts, ends = self._places(data, np.flatnonzero((days >= low) & (days <= high)))
            if not starts.size:
                continue
            follows = np.searchsorted(starts, ends)
            after = np.minimum(follows, starts.size - 1)
            is_close = np.abs(self._day_at(data, starts) - self._day_at(data, starts[after])) <= 1
            accepted = np.flatnonzero(((starts[after] == ends) & is_close) | (final & (ends == data.size)))
            if accepted.size:
                self.day = int(self._day_at(data, starts[accepted[:1]])[0])
                return True
        return False

    @staticmethod
    def _day_at(data: Bytes, places: Ints) -> Ints:
        return data[places + 4].astype(np.int64) | (data[places + 5].astype(np.int64) << 8)

    def _days(self, data: Bytes) -> NDArray[np.uint16]:
        """Return the date field of a hypothetical record at each position of the buffer."""
        if data.size < self.size:
            return np.empty(0, np.uint16)
        last = data.size - self.size + 1
        return data[4 : last + 4].astype(np.uint16) | (data[5 : last + 5].astype(np.uint16) << np.uint16(8))

    def _places(self, data: Bytes, places: Ints) -> tuple[Ints, Ints]:
        """Return (starts, ends) of the candidate positions that have a valid time of day and end inside the buffer."""
        places = places[_ms([data[places + i] for i in range(4)]) < DAY_MS]
        ends = places + self.size + 5 * data[places + self.size - 1].astype(np.int64)
        whole = ends <= data.size
        return places[whole], ends[whole]

    def starts(self, data: Bytes, *, final: bool) -> _Found:
        """Return the record starts in a buffer.

        Raises:
            SourceFileError: the date changes more than `MAX_DAYS` times.
        """
        found: list[Ints] = [np.empty(0, np.int64)]
        gaps: list[tuple[int, int]] = []
        done, is_advancing = 0, True
        while is_advancing and done < data.size:
            day = self.day
            even, ran = self._even(data[done:])
            found.append(even + done)
            done += ran
            places, ran, holes = self._stretch(data[done:], final=final)
            found.append(places + done)
            gaps += [(a + done, b + done) for a, b in holes]
            done += ran
            is_advancing = self.day != day and ran + even.size > 0
            if not is_advancing and data.size - done > self.size + 5 * 255:
                is_advancing = self.begin(data[done:], final=final) and self.day != day
            self.days += self.day != day
            if self.days > MAX_DAYS:
                raise SourceFileError("too_many_days", reason("too_many_days", max_days=MAX_DAYS))
        edge = data.size if final else data.size - self.size - 5 * 255
        if done < edge:
            gaps.append((done, edge))
            done = edge
        return _Found(np.concatenate(found), done, gaps)

    def _even(self, data: Bytes) -> tuple[Ints, int]:
        """Return (record starts, bytes processed) of leading valid records with the length of the first: most logs."""
        length = self.size + 5 * int(data[self.size - 1]) if data.size >= self.size else data.size + 1
        count = data.size // length
        if count < EVEN_RECORDS:
            return np.empty(0, np.int64), 0
        rows = data[: count * length].reshape(count, length)
        head = rows[:, : self.size]
        days = head[:, 4].astype(np.uint16) | (head[:, 5].astype(np.uint16) << np.uint16(8))
        good = (days - np.uint16(self.day - 1) <= 2) & (head[:, -1] == head[0, -1]) & (_ms(head.T) < DAY_MS)
        if self.indices <= 255:
            for slot in range(self.size, length, 5):
                good &= rows[:, slot] < self.indices
        ran = count if good.all() else int(np.argmin(good))
        if ran:
            self.day = int(days[ran - 1])
        return np.arange(ran, dtype=np.int64) * length, ran * length

    def _stretch(self, data: Bytes, *, final: bool) -> _Found:
        """Return the record starts while dates are within a day of the last accepted one."""
        is_near = (self._days(data) - np.uint16(self.day - 1)) <= 2
        places, ends = self._places(data, np.flatnonzero(is_near))
        known = self._indices_known(data, places)
        places, ends = places[known], ends[known]
        follows = np.searchsorted(places, ends)
        after = np.minimum(follows, places.size - 1)
        chained = places[after] == ends if places.size else np.zeros(0, dtype=bool)
        breaks = np.flatnonzero(~chained | (follows != np.arange(places.size) + 1))
        last = ends == data.size if final else ends + self.size > data.size
        trusted = np.flatnonzero(chained | last)
        kept, gaps, done, at = np.zeros(places.size, dtype=bool), list[tuple[int, int]](), 0, 0
        while True:
            if at >= places.size or places[at] != done:
                ahead = trusted[np.searchsorted(trusted, np.searchsorted(places, done)) :]
                if not ahead.size:
                    break
                at = int(ahead[0])
                gaps.append((done, int(places[at])))
            stop = int(breaks[np.searchsorted(breaks, at)])
            kept[at : stop + 1] = True
            done = int(ends[stop])
            at = int(follows[stop]) if chained[stop] else places.size
        if kept.any():
            self.day = int(self._day_at(data, places[kept][-1:])[0])
        return _Found(places[kept], done, gaps)

    def _indices_known(self, data: Bytes, places: Ints) -> NDArray[np.bool_]:
        """Return True for each record whose value indices are all in the header."""
        known = np.ones(places.size, dtype=bool)
        if self.indices > 255:
            return known
        counts = data[places + self.size - 1]
        for n in np.unique(counts[counts > 0]):
            same = np.flatnonzero(counts == n)
            first = places[same] + self.size
            highest = data[first]
            for slot in range(1, int(n)):
                highest = np.maximum(highest, data[first + 5 * slot])
            known[same] = highest < self.indices
        return known


def _gather(data: Bytes, starts: Ints, layout: Layout, rows_of: Ints, wanted: int) -> tuple[NDArray[np.void], Floats]:
    """Return (heads, values) of the records at `starts`; records with equal counts are read together.

    Args:
        data: the buffer.
        starts: record starts in the buffer.
        layout: record layout.
        rows_of: row in the result of each value index; `wanted` for values that are not read.
        wanted: number of values to read.
    """
    size = layout.head.itemsize
    head = np.empty(starts.size, layout.head)
    values = np.full((wanted + 1, starts.size), np.nan)
    counts = data[starts + size - 1] if starts.size else np.empty(0, np.uint8)
    for n in np.unique(counts):
        same = np.flatnonzero(counts == n)
        length = size + 5 * int(n)
        if same.size == starts.size and starts[-1] - starts[0] == (starts.size - 1) * length:
            block = data[starts[0] : starts[0] + starts.size * length].reshape(-1, length)
        else:
            block = np.ascontiguousarray(as_strided(data, (data.size - length + 1, length), (1, 1))[starts[same]])
        kind = np.dtype([("head", layout.head), ("values", [("index", "u1"), ("value", "<i4")], (int(n),))])
        rows = block.view(kind)[:, 0]
        head[same] = rows["head"]
        target: Ints | slice = slice(None) if same.size == starts.size else same
        for slot in range(int(n)):
            index, value = rows["values"]["index"][:, slot], rows["values"]["value"][:, slot]
            if (index == index[0]).all():
                if rows_of[index[0]] < wanted:
                    values[rows_of[index[0]], target] = value
            else:
                values[rows_of[index], same] = value
    return head, values


def read_records(read: Callable[[int], bytes], layout: Layout, wanted: list[int]) -> Iterator[Records]:
    """Yield the records of a log, in chunks.

    Args:
        read: function that returns the next bytes of the log, empty at its end.
        layout: record layout of the log.
        wanted: indices of the values to return, in the order of the rows of `Records.values`.
    """
    rows_of = np.full(256, len(wanted), dtype=np.int64)
    rows_of[wanted] = np.arange(len(wanted))
    walker, rest, offset, final = _Walker(layout), b"", 0, False
    while not final:
        block = read(CHUNK_BYTES)
        final = not block
        rest += block
        if not rest:
            return
        data = np.frombuffer(rest, np.uint8)
        if walker.day == NO_DAY and not walker.begin(data, final=final):
            if final:
                yield Records(
                    np.empty(0, layout.head), np.empty((len(wanted) + 1, 0)), [(offset, data.size, rest[:32], 0)]
                )
            elif data.size > 8 * CHUNK_BYTES:
                edge = data.size - CHUNK_BYTES
                yield Records(np.empty(0, layout.head), np.empty((len(wanted) + 1, 0)), [(offset, edge, rest[:32], 0)])
                rest, offset = rest[edge:], offset + edge
            continue
        starts, done, gaps = walker.starts(data, final=final)
        at_once = max(1, MAX_CELLS // (len(wanted) + 1))
        before = np.searchsorted(starts, [a for a, _ in gaps])
        for first in range(0, max(1, starts.size), at_once):
            end = first + at_once if first + at_once < starts.size else starts.size + 1
            head, values = _gather(data, starts[first:end], layout, rows_of, len(wanted))
            own = [(a, b, int(n) - first) for (a, b), n in zip(gaps, before, strict=True) if first <= n < end]
            yield Records(head, values, [(offset + a, b - a, rest[a : min(b, a + 32)], n) for a, b, n in own])
        rest, offset = rest[done:], offset + done
