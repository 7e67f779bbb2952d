"""Walks the binary records of a time log: strict, resynchronising, and vectorised.

A record: milliseconds of the day (u32), days since 1980-01-01 (u16), the position fields that the header leaves
empty, a count n (u8), and n times an index (u8) and a value (i32). All little endian; time and date are local.

Where records begin is found from all bytes at once: a place may begin a record if its date is within a day of the
last one, its time is a time of day, and it ends where another record begins. Only where that chain breaks is looked
at byte by byte.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.lib.stride_tricks import as_strided
from numpy.typing import NDArray

from transforms.errors import SourceFileError
from transforms.ingest.readers.iso11783.log_header import Layout
from transforms.ingest.readers.iso11783.task_data import DAY_MS

CHUNK_BYTES = 2 << 20
MAX_CELLS = 4_000_000
"""Values of the records yielded at a time: memory holds no more, however short the records are."""
MAX_DAYS = 400
"""Changes of the day in one log: a search through the rest of the log follows each."""
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
    """Records of one stretch of a log.

    Attributes:
        head: one structured value a record: `ms, day`, the position fields, `n`.
        values: (wanted + 1) x records; NaN where a record does not report a value; the last row is none's.
        gaps: (offset in the file, bytes skipped, their first bytes, records before it) that are no record.
    """

    head: NDArray[np.void]
    values: Floats
    gaps: list[tuple[int, int, bytes, int]]


def _ms(columns: Sequence[Bytes] | Bytes) -> NDArray[Any]:
    """Milliseconds of the day from their four bytes."""
    low, second, third, top = (columns[i].astype(np.uint32) for i in range(4))
    return low | (second << 8) | (third << 16) | (top << 24)


class _Walker:
    """Finds the records of a buffer, with the day of the last one it believed."""

    def __init__(self, layout: Layout) -> None:
        self.size = layout.head.itemsize
        self.indices = len(layout.values)
        self.day = NO_DAY
        self.days = 0

    def begin(self, data: Bytes, *, final: bool) -> bool:
        """Believe in the first place whose record is followed by another, or is the last; False where there is none.

        Once a day is known, only days within two months of it are believed: a log that paused.
        """
        low, high = (FIRST_DAY, LAST_DAY) if self.day == NO_DAY else (self.day - PAUSE_DAYS, self.day + PAUSE_DAYS)
        for window in (data[:4096], data):
            days = self._days(window)
            starts, ends = self._places(data, np.flatnonzero((days >= low) & (days <= high)))
            if not starts.size:
                continue
            follows = np.searchsorted(starts, ends)
            after = np.minimum(follows, starts.size - 1)
            close = np.abs(self._day_at(data, starts) - self._day_at(data, starts[after])) <= 1
            believed = np.flatnonzero(((starts[after] == ends) & close) | (final & (ends == data.size)))
            if believed.size:
                self.day = int(self._day_at(data, starts[believed[:1]])[0])
                return True
        return False

    @staticmethod
    def _day_at(data: Bytes, places: Ints) -> Ints:
        return data[places + 4].astype(np.int64) | (data[places + 5].astype(np.int64) << 8)

    def _days(self, data: Bytes) -> NDArray[np.uint16]:
        """The date that would stand at each place of the buffer."""
        if data.size < self.size:
            return np.empty(0, np.uint16)
        last = data.size - self.size + 1
        return data[4 : last + 4].astype(np.uint16) | (data[5 : last + 5].astype(np.uint16) << np.uint16(8))

    def _places(self, data: Bytes, places: Ints) -> tuple[Ints, Ints]:
        """Of places with a believable date, those with a time of day, values that exist and an end inside."""
        places = places[_ms([data[places + i] for i in range(4)]) < DAY_MS]
        ends = places + self.size + 5 * data[places + self.size - 1].astype(np.int64)
        whole = ends <= data.size
        return places[whole], ends[whole]

    def starts(self, data: Bytes, *, final: bool) -> tuple[Ints, int, list[tuple[int, int]]]:
        """Return (where records begin, bytes done with, stretches (from, to) that are no record)."""
        found: list[Ints] = [np.empty(0, np.int64)]
        gaps: list[tuple[int, int]] = []
        done, moving = 0, True
        while moving and done < data.size:
            day = self.day
            even, ran = self._even(data[done:])
            found.append(even + done)
            done += ran
            places, ran, holes = self._stretch(data[done:], final=final)
            found.append(places + done)
            gaps += [(a + done, b + done) for a, b in holes]
            done += ran
            moving = self.day != day and ran + even.size > 0
            if not moving and data.size - done > self.size + 5 * 255:
                moving = self.begin(data[done:], final=final) and self.day != day
            self.days += self.day != day
            if self.days > MAX_DAYS:
                raise SourceFileError("too_many_days", f"the log's date changes more than {MAX_DAYS} times")
        edge = data.size if final else data.size - self.size - 5 * 255
        if done < edge:
            gaps.append((done, edge))
            done = edge
        return np.concatenate(found), done, gaps

    def _even(self, data: Bytes) -> tuple[Ints, int]:
        """Return (where records begin, bytes they take) while all are good and as long as the first: most logs."""
        length = self.size + 5 * int(data[self.size - 1]) if data.size >= self.size else data.size + 1
        many = data.size // length
        if many < EVEN_RECORDS:
            return np.empty(0, np.int64), 0
        rows = data[: many * length].reshape(many, length)
        head = rows[:, : self.size]
        days = head[:, 4].astype(np.uint16) | (head[:, 5].astype(np.uint16) << np.uint16(8))
        good = (days - np.uint16(self.day - 1) <= 2) & (head[:, -1] == head[0, -1]) & (_ms(head.T) < DAY_MS)
        if self.indices <= 255:
            for slot in range(self.size, length, 5):
                good &= rows[:, slot] < self.indices
        ran = many if good.all() else int(np.argmin(good))
        if ran:
            self.day = int(days[ran - 1])
        return np.arange(ran, dtype=np.int64) * length, ran * length

    def _stretch(self, data: Bytes, *, final: bool) -> tuple[Ints, int, list[tuple[int, int]]]:
        """The same for as long as dates stay within a day of the last one believed."""
        near = (self._days(data) - np.uint16(self.day - 1)) <= 2
        places, ends = self._places(data, np.flatnonzero(near))
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
        return places[kept], done, gaps

    def _indices_known(self, data: Bytes, places: Ints) -> NDArray[np.bool_]:
        """Whether every value's index stands in the header."""
        known = np.ones(places.size, dtype=bool)
        if self.indices > 255:
            return known
        counts = data[places + self.size - 1]
        for n in np.unique(counts[counts > 0]):
            mine = np.flatnonzero(counts == n)
            first = places[mine] + self.size
            worst = data[first]
            for slot in range(1, int(n)):
                worst = np.maximum(worst, data[first + 5 * slot])
            known[mine] = worst < self.indices
        return known


def _gather(data: Bytes, starts: Ints, layout: Layout, rows_of: Ints, wanted: int) -> tuple[NDArray[np.void], Floats]:
    """Return (heads, values) of the records that begin at `starts`; equal counts are taken together."""
    size = layout.head.itemsize
    head = np.empty(starts.size, layout.head)
    values = np.full((wanted + 1, starts.size), np.nan)
    counts = data[starts + size - 1] if starts.size else np.empty(0, np.uint8)
    for n in np.unique(counts):
        mine = np.flatnonzero(counts == n)
        length = size + 5 * int(n)
        if mine.size == starts.size and starts[-1] - starts[0] == (starts.size - 1) * length:
            block = data[starts[0] : starts[0] + starts.size * length].reshape(-1, length)
        else:
            block = np.ascontiguousarray(as_strided(data, (data.size - length + 1, length), (1, 1))[starts[mine]])
        kind = np.dtype([("head", layout.head), ("values", [("index", "u1"), ("value", "<i4")], (int(n),))])
        rows = block.view(kind)[:, 0]
        head[mine] = rows["head"]
        target: Ints | slice = slice(None) if mine.size == starts.size else mine
        for slot in range(int(n)):
            index, value = rows["values"]["index"][:, slot], rows["values"]["value"][:, slot]
            if (index == index[0]).all():
                if rows_of[index[0]] < wanted:
                    values[rows_of[index[0]], target] = value
            else:
                values[rows_of[index], mine] = value
    return head, values


def walk(read: Callable[[int], bytes], layout: Layout, wanted: list[int]) -> Iterator[Records]:
    """Yield the records of a log, chunk by chunk.

    Args:
        read: returns the next bytes of the log, none at its end.
        layout: what its header says.
        wanted: indices of the values to return, in the order of the rows of `Records.values`.
    """
    rows_of = np.full(256, len(wanted), dtype=np.int64)
    rows_of[wanted] = np.arange(len(wanted))
    walker, rest, offset, final = _Walker(layout), b"", 0, False
    while not final:
        piece = read(CHUNK_BYTES)
        final = not piece
        rest += piece
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
