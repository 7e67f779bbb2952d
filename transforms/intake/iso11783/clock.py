"""A log's local time in UTC: by its own satellite time, else by its task's times, else by the mapping's zone.

A zone stands whole quarter hours from UTC. Where satellite time shows that the machine's clock stands further off,
satellite time is believed and the difference is told.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.errors import SourceFileError
from transforms.intake.iso11783.task_data import Log
from transforms.intake.iso11783.time_log import DAY_MS

EPOCH_MS = 315_532_800_000
"""1980-01-01 in milliseconds since 1970."""
QUARTER_MS = 900_000
FURTHEST_MS = 14 * 3_600_000
SLACK_MS = 120_000
"""A clock this close to a whole quarter hour from UTC is right (common practice, no source)."""
NO_DAY = 0xFFFF


@dataclass(frozen=True)
class Clock:
    """How to turn a log's local time into UTC.

    Attributes:
        offset_ms: local minus UTC, in milliseconds; None where the mapping's zone rules are followed.
        zone: the mapping's zone.
        says: what was found, in words.
    """

    offset_ms: int | None
    zone: str | None
    says: str

    def utc(self, local_ms: NDArray[np.int64]) -> pl.Series:
        """Return local milliseconds since 1970 as UTC; null for an hour that the zone's clocks skip."""
        if self.offset_ms is not None:
            moment = pl.Series("time", (local_ms - self.offset_ms) * 1000).cast(pl.Datetime("us"))
            return moment.dt.replace_time_zone("UTC")
        moment = pl.Series("time", local_ms * 1000).cast(pl.Datetime("us"))
        zoned = moment.dt.replace_time_zone(str(self.zone), ambiguous="earliest", non_existent="null")
        return zoned.dt.convert_time_zone("UTC")


def local_ms(head: NDArray[np.void]) -> NDArray[np.int64]:
    """Return records' local time in milliseconds since 1970."""
    return EPOCH_MS + head["day"].astype(np.int64) * DAY_MS + head["ms"].astype(np.int64)


def _by_satellites(head: NDArray[np.void]) -> Clock | None:
    if not {"utc_ms", "utc_day"} <= set(head.dtype.names or ()):
        return None
    day = head["utc_day"].astype(np.int64)
    valid = (day > 0) & (day != NO_DAY) & (head["utc_ms"] < DAY_MS)
    utc = EPOCH_MS + day * DAY_MS + head["utc_ms"].astype(np.int64)
    apart = (local_ms(head) - utc)[valid]
    apart = apart[np.abs(apart) <= FURTHEST_MS]
    if not apart.size:
        return None
    offset = int(np.median(apart))
    whole = round(offset / QUARTER_MS) * QUARTER_MS
    if abs(offset - whole) <= SLACK_MS:
        return Clock(whole, None, f"local time stands {whole / 3.6e6:+g} h from UTC, by satellite time")
    says = (
        f"the machine's clock stands {offset / 60_000:+.1f} min from UTC, as no zone does; satellite time is believed"
    )
    return Clock(offset, None, says)


def _by_task(head: NDArray[np.void], log: Log) -> Clock | None:
    if log.began_at is None:
        return None
    offset = int(local_ms(head[:1])[0]) - int(log.began_at.timestamp() * 1000)
    whole = round(offset / QUARTER_MS) * QUARTER_MS
    if abs(whole) > FURTHEST_MS:
        return None
    return Clock(whole, None, f"local time stands {whole / 3.6e6:+g} h from UTC, by the task's own times")


def clock_of(head: NDArray[np.void], log: Log, zone: str | None) -> Clock:
    """Return how a log's times become UTC.

    Args:
        head: the log's first records.
        log: where the task says when it began.
        zone: the mapping's time zone.

    Raises:
        SourceFileError: nothing says how its times stand to UTC.
    """
    found = _by_satellites(head) or _by_task(head, log)
    if found is not None:
        return found
    if zone is None:
        raise SourceFileError(
            "zone_unknown",
            "nothing in the task data says how its local time stands to UTC; name time_zone in the mapping",
        )
    return Clock(None, zone, f"local time is taken as {zone}, as the mapping says")
