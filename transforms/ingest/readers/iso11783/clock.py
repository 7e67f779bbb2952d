"""Conversion of the local time of a log to UTC: by satellite time, else by task times, else by the mapping's zone.

The offset of a time zone is a multiple of a quarter hour, so an estimated offset must be close to one. A wrong machine
clock is inferred only if satellite time differs from it by a constant offset over many records.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.contracts.reason import Reason, combine_reasons, reason
from transforms.errors import SourceFileError
from transforms.ingest.dst import UnfoldedTimes, unfold_times
from transforms.ingest.readers.iso11783.task_data import DAY_MS, NO_DAY, Log

EPOCH_MS = 315_532_800_000
"""1980-01-01 in milliseconds since 1970."""
QUARTER_MS, HOUR_MS = 900_000, 3_600_000
MAX_OFFSET_MS = 14 * HOUR_MS
SLACK_MS = 120_000
"""Tolerance of an offset from a multiple of a quarter hour (common practice, no source)."""
MIN_AGREEMENT = 0.75
"""Minimum share of satellite times in a log that agree with their median."""
MIN_CLOCK_RECORDS, CONSTANT_MS = 60, 2_000
"""Minimum records, and maximum deviation of their offsets, to infer a wrong machine clock from satellite time."""
MAX_FROM_SUN_H = 4.0
"""No time zone is further from the sun, modulo a day; the largest difference on land is about 3.1 h."""
MAX_SAMPLES = 1_000_000
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Clock:
    """Conversion of the local time of a log to UTC.

    Attributes:
        offset_ms: local time minus UTC, in milliseconds; None to apply the rules of `zone`.
        zone: time zone of the mapping.
        finding: finding about the conversion.
        by_satellites: True for a zone offset from satellite time, which may change by an hour within the log.
    """

    offset_ms: int | None
    zone: str | None
    finding: Reason
    by_satellites: bool = False

    def utc(self, head: NDArray[np.void]) -> UnfoldedTimes:
        """Return the times of records in UTC; times in an hour that the zone skips become null."""
        local = local_ms(head)
        if self.offset_ms is None:
            moment = pl.Series("time", local * 1000).cast(pl.Datetime("us"))
            return unfold_times(moment, str(self.zone))
        offset = self._offsets(head) if self.by_satellites else self.offset_ms
        moment = pl.Series("time", (local - offset) * 1000).cast(pl.Datetime("us"))
        return UnfoldedTimes(moment.dt.replace_time_zone("UTC"))

    def _offsets(self, head: NDArray[np.void]) -> Ints:
        """Return the offset of each record: that of the log, or one hour more or less if satellite time shows it."""
        differences, valid = satellite_offsets(head)
        whole = np.rint(differences / QUARTER_MS).astype(np.int64) * QUARTER_MS
        is_shifted = (
            valid & (np.abs(differences - whole) <= SLACK_MS) & (np.abs(whole - int(self.offset_ms or 0)) == HOUR_MS)
        )
        is_same = valid & (whole == self.offset_ms)
        known = is_shifted | is_same
        if not known.any():
            return np.full(head.size, self.offset_ms, dtype=np.int64)
        # A record without satellite time has the offset of the one before it.
        places = np.maximum.accumulate(np.where(known, np.arange(known.size), int(np.argmax(known))))
        return np.asarray(whole[places], dtype=np.int64)


def local_ms(head: NDArray[np.void]) -> Ints:
    """Return the local time of records in milliseconds since 1970."""
    return EPOCH_MS + head["day"].astype(np.int64) * DAY_MS + head["ms"].astype(np.int64)


def satellite_offsets(head: NDArray[np.void]) -> tuple[Ints, NDArray[np.bool_]]:
    """Return (local minus satellite time in milliseconds, True for records with a valid satellite time)."""
    if not {"utc_ms", "utc_day"} <= set(head.dtype.names or ()):
        return np.zeros(head.size, np.int64), np.zeros(head.size, dtype=bool)
    day = head["utc_day"].astype(np.int64)
    valid = (day > 0) & (day != NO_DAY) & (head["utc_ms"] < DAY_MS)
    return local_ms(head) - (EPOCH_MS + day * DAY_MS + head["utc_ms"].astype(np.int64)), valid


def all_offsets(heads: Iterable[NDArray[np.void]]) -> Ints:
    """Return the offsets of a log from satellite time, evenly sampled for a very long log."""
    samples, every, size = [np.empty(0, np.int64)], 1, 0
    for head in heads:
        differences, valid = satellite_offsets(head)
        samples.append(differences[valid][::every])
        size += samples[-1].size
        if size > MAX_SAMPLES:
            samples = [np.concatenate(samples)[::2]]
            every, size = 2 * every, samples[0].size
    return np.concatenate(samples)


def _zone_offset(offset_ms: int) -> int | None:
    """Return the nearest multiple of a quarter hour; None if the offset is not close to it, or beyond any zone."""
    whole = round(offset_ms / QUARTER_MS) * QUARTER_MS
    return whole if abs(offset_ms - whole) <= SLACK_MS and abs(whole) <= MAX_OFFSET_MS else None


def _by_satellites(differences: Ints) -> Clock | Reason | None:
    """Return the conversion by satellite time, or the reason why there is none; None without satellite time."""
    if not differences.size:
        return None
    near = differences[np.abs(differences) <= MAX_OFFSET_MS]
    if not near.size:
        return reason("satellite_date_differs", days=float(np.median(differences)) / DAY_MS)
    offset = int(np.median(near))
    whole = _zone_offset(offset)
    if whole is not None:
        off = np.abs(near - whole)
        agree = np.sum((off <= SLACK_MS) | (np.abs(off - HOUR_MS) <= SLACK_MS))
        if agree >= MIN_AGREEMENT * differences.size:
            return Clock(whole, None, reason("zone_by_satellites", hours=whole / HOUR_MS), by_satellites=True)
    elif (
        near.size >= MIN_CLOCK_RECORDS
        and np.sum(np.abs(near - offset) <= CONSTANT_MS) >= MIN_AGREEMENT * differences.size
    ):
        return Clock(offset, None, reason("machine_clock_wrong", minutes=offset / 60_000))
    return reason("satellite_time_varies", minutes=offset / 60_000)


def _by_task(first_ms: int, log: Log) -> Clock | Reason | None:
    """Return the conversion by the times of the task, or the reason why there is none; None without such times."""
    if log.offset_min is not None and abs(log.offset_min) * 60_000 <= MAX_OFFSET_MS:
        return Clock(log.offset_min * 60_000, None, reason("zone_of_task", hours=log.offset_min / 60))
    if log.began_at is None:
        return None
    offset = first_ms - int(log.began_at.timestamp() * 1000)
    whole = _zone_offset(offset)
    if whole is not None:
        return Clock(whole, None, reason("zone_by_task_start", hours=whole / HOUR_MS))
    return reason("task_start_differs", minutes=offset / 60_000)


def clock_of(first_ms: int, differences: Ints, log: Log, zone: str | None) -> Clock:
    """Return the conversion of the times of a log to UTC.

    Args:
        first_ms: local time of the first record, in milliseconds since 1970.
        differences: offsets from satellite time in milliseconds, from `all_offsets`.
        log: the log, with the start time given by its task.
        zone: time zone of the mapping; None if it names none.

    Raises:
        SourceFileError: neither the task data nor the mapping determines the offset from UTC.
    """
    why_not: list[Reason] = []
    for found in (_by_satellites(differences), _by_task(first_ms, log)):
        if isinstance(found, Clock):
            return replace(found, finding=combine_reasons([found.finding, *why_not]))
        why_not += [found] if found is not None else []
    if zone is None:
        why = reason("zone_contradictory", why=combine_reasons(why_not)) if why_not else reason("zone_unknown")
        raise SourceFileError("zone_unknown", why)
    if why_not:
        return Clock(None, zone, reason("zone_of_mapping_instead", zone=zone, why=combine_reasons(why_not)))
    return Clock(None, zone, reason("zone_of_mapping", zone=zone))


def zone_unlike_position(offset_ms: int, lon_deg: float) -> Reason | None:
    """Return a finding if no time zone at a longitude has this offset from UTC; None if it is possible.

    The clock, its date or the zone of the mapping is then hours off. Days are not compared.

    Args:
        offset_ms: local time minus UTC, in milliseconds.
        lon_deg: longitude of the log, in degrees.

    >>> zone_unlike_position(2 * HOUR_MS, 15.0) is None, zone_unlike_position(9 * HOUR_MS, 15.0) is None
    (True, False)
    """
    hours, sun_hours = offset_ms / HOUR_MS, lon_deg / 15
    off = (hours - sun_hours + 12) % 24 - 12
    if abs(off) <= MAX_FROM_SUN_H:
        return None
    return reason("zone_unlike_position", hours=hours, sun_hours=sun_hours, lon_deg=lon_deg)
