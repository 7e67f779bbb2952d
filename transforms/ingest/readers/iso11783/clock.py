"""A log's local time in UTC: by its own satellite time, else by its task's times, else by the mapping's zone.

A zone is whole quarter hours from UTC, so an offset that is estimated must be near one. Only satellite time that runs
beside the machine's clock at a constant distance, over many records, may show that the clock itself is wrong.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.errors import SourceFileError
from transforms.ingest.dst import UnfoldedTimes, unfold_times
from transforms.ingest.readers.iso11783.task_data import DAY_MS, NO_DAY, Log

EPOCH_MS = 315_532_800_000
"""1980-01-01 in milliseconds since 1970."""
QUARTER_MS, HOUR_MS = 900_000, 3_600_000
FURTHEST_MS = 14 * HOUR_MS
SLACK_MS = 120_000
"""A clock this close to a whole quarter hour from UTC is right (common practice, no source)."""
AGREEING = 0.75
"""Share of a log's satellite times that must agree with their median."""
SOUND_RECORDS, CONSTANT_MS = 60, 2_000
"""Records, and how far their offsets may differ, for satellite time to show that a machine's clock is wrong."""
MAX_SAMPLES = 1_000_000
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Clock:
    """How to turn a log's local time into UTC.

    Attributes:
        offset_ms: local minus UTC, in milliseconds; None where the mapping's zone rules are followed.
        zone: the mapping's zone.
        says: what was found, in words.
        by_satellites: the offset is one of a zone, by satellite time: a record may show the hour put back or forward.
    """

    offset_ms: int | None
    zone: str | None
    says: str
    by_satellites: bool = False

    def utc(self, head: NDArray[np.void]) -> UnfoldedTimes:
        """Return records' times in UTC; null for an hour that the zone's clocks skip."""
        local = local_ms(head)
        if self.offset_ms is None:
            moment = pl.Series("time", local * 1000).cast(pl.Datetime("us"))
            return unfold_times(moment, str(self.zone))
        offset = self._offsets(head) if self.by_satellites else self.offset_ms
        moment = pl.Series("time", (local - offset) * 1000).cast(pl.Datetime("us"))
        return UnfoldedTimes(moment.dt.replace_time_zone("UTC"))

    def _offsets(self, head: NDArray[np.void]) -> Ints:
        """Return each record's offset: the log's own, or an hour more or less where satellite time shows that."""
        apart, valid = satellite_offsets(head)
        whole = np.rint(apart / QUARTER_MS).astype(np.int64) * QUARTER_MS
        moved = valid & (np.abs(apart - whole) <= SLACK_MS) & (np.abs(whole - int(self.offset_ms or 0)) == HOUR_MS)
        same = valid & (whole == self.offset_ms)
        known = moved | same
        if not known.any():
            return np.full(head.size, self.offset_ms, dtype=np.int64)
        # A record without satellite time has the offset of the one before it.
        places = np.maximum.accumulate(np.where(known, np.arange(known.size), int(np.argmax(known))))
        return np.asarray(whole[places], dtype=np.int64)


def local_ms(head: NDArray[np.void]) -> Ints:
    """Return records' local time in milliseconds since 1970."""
    return EPOCH_MS + head["day"].astype(np.int64) * DAY_MS + head["ms"].astype(np.int64)


def satellite_offsets(head: NDArray[np.void]) -> tuple[Ints, NDArray[np.bool_]]:
    """Return (local minus satellite time in milliseconds, True where the record holds a satellite time)."""
    if not {"utc_ms", "utc_day"} <= set(head.dtype.names or ()):
        return np.zeros(head.size, np.int64), np.zeros(head.size, dtype=bool)
    day = head["utc_day"].astype(np.int64)
    valid = (day > 0) & (day != NO_DAY) & (head["utc_ms"] < DAY_MS)
    return local_ms(head) - (EPOCH_MS + day * DAY_MS + head["utc_ms"].astype(np.int64)), valid


def all_offsets(heads: Iterable[NDArray[np.void]]) -> Ints:
    """Return the offsets of a whole log from satellite time; of a very long one, of evenly chosen records."""
    kept, every, size = [np.empty(0, np.int64)], 1, 0
    for head in heads:
        apart, valid = satellite_offsets(head)
        kept.append(apart[valid][::every])
        size += kept[-1].size
        if size > MAX_SAMPLES:
            kept = [np.concatenate(kept)[::2]]
            every, size = 2 * every, kept[0].size
    return np.concatenate(kept)


def _whole(offset_ms: int) -> int | None:
    """Return the whole quarter hours that an offset is near to; None if it is not, or further than any zone."""
    whole = round(offset_ms / QUARTER_MS) * QUARTER_MS
    return whole if abs(offset_ms - whole) <= SLACK_MS and abs(whole) <= FURTHEST_MS else None


def _by_satellites(apart: Ints) -> tuple[Clock | None, str]:
    """Return (the clock by satellite time, what was found instead if it shows none)."""
    near = apart[np.abs(apart) <= FURTHEST_MS]
    if not near.size:
        return None, ""
    offset = int(np.median(near))
    whole = _whole(offset)
    if whole is not None:
        off = np.abs(near - whole)
        agree = np.sum((off <= SLACK_MS) | (np.abs(off - HOUR_MS) <= SLACK_MS))
        if agree >= AGREEING * apart.size:
            says = f"local time stands {whole / HOUR_MS:+g} h from UTC, by satellite time"
            return Clock(whole, None, says, by_satellites=True), ""
    elif near.size >= SOUND_RECORDS and np.sum(np.abs(near - offset) <= CONSTANT_MS) >= AGREEING * apart.size:
        apart_min = f"{offset / 60_000:+.1f} min from UTC"
        says = f"the machine's clock stands {apart_min}, as no zone does; satellite time is believed"
        return Clock(offset, None, says), ""
    return None, f"satellite time differs by {offset / 60_000:+.1f} min, and not constantly"


def _by_task(first_ms: int, log: Log) -> tuple[Clock | None, str]:
    """Return (the clock by the task's times, what was found instead if they show none)."""
    if log.offset_min is not None and abs(log.offset_min) * 60_000 <= FURTHEST_MS:
        says = f"local time stands {log.offset_min / 60:+g} h from UTC, as the task's own times say"
        return Clock(log.offset_min * 60_000, None, says), ""
    if log.began_at is None:
        return None, ""
    offset = first_ms - int(log.began_at.timestamp() * 1000)
    whole = _whole(offset)
    if whole is not None:
        return Clock(whole, None, f"local time stands {whole / HOUR_MS:+g} h from UTC, by the task's own times"), ""
    return None, f"the log begins {offset / 60_000:+.1f} min from the start of its task"


def clock_of(first_ms: int, apart: Ints, log: Log, zone: str | None) -> Clock:
    """Return how a log's times become UTC.

    Args:
        first_ms: local time of its first record in milliseconds since 1970.
        apart: its offsets from satellite time, of `all_offsets`.
        log: when its task says that it began.
        zone: the mapping's time zone.

    Raises:
        SourceFileError: nothing says how its times relate to UTC.
    """
    found, odd = _by_satellites(apart)
    if found is None:
        found, odd_task = _by_task(first_ms, log)
        odd = "; ".join(o for o in (odd, odd_task) if o)
    if found is not None:
        return found
    but = f" ({odd}, which no zone does)" if odd else ""
    if zone is None:
        raise SourceFileError(
            "zone_unknown",
            f"nothing in the task data says how its local time stands to UTC{but}; name time_zone in the mapping",
        )
    return Clock(None, zone, f"local time is taken as {zone}, as the mapping says{but}")
