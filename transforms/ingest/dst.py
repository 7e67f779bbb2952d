"""Resolution of the repeated hour in autumn: assignment of each row of a file to its first or second pass.

Rows of a file are in time order, so the clock is set back exactly once between the row before the hour and the row
after it. The change is placed where times decrease, otherwise in the longest pause; each end of a file counts as a
pause of `NEAR_US`. If two positions fit about equally well, the rows between them are assigned by the better position,
or to the first pass (summer time) if both are equal, and are reported as doubtful.
"""

import datetime as dt
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.contracts.reason import Reason, reason

LONG_US = 2 * 3_600_000_000
NEAR_US = 45 * 60_000_000
USUAL_STEP_US = 15 * 60_000_000
"""Default time between two rows, if a file has too few rows to estimate it."""
NEIGHBOURS = 50
BACKWARD = 3.0
"""Weight of decreasing times: rows slightly out of order are rarer than pauses."""
CLEAR = 0.4
"""Minimum margin of an unambiguous position over all others: a pause about 1.5 times as long."""
MAX_RUNS = 1_000
"""Maximum runs of rows inside repeated hours; a file with more is not in time order."""
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class UnfoldedTimes:
    """Times in UTC, and the local times whose pass of the repeated hour is uncertain.

    Attributes:
        utc: times in UTC; null if a row has no time.
        doubtful: local times that were assigned to one pass and may belong to the other.
        zone: IANA name of the time zone of local times; None if the times include their zone.
    """

    utc: pl.Series
    doubtful: tuple[dt.datetime, ...] = ()
    zone: str | None = None

    def finding(self, name: str) -> tuple[Reason, ...]:
        """Return a finding about the doubtful times of a column; empty if there are none."""
        if not self.doubtful:
            return ()
        first = f"{self.doubtful[0]:%Y-%m-%d %H:%M:%S}"
        return (reason("times_in_repeated_hour", n=len(self.doubtful), column=name, first=first),)


def _cost(pause: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the cost of pauses between two rows, in typical steps of the file; decreasing times cost more."""
    return np.where(pause >= 0, np.log1p(np.maximum(pause, 0)), -BACKWARD * pause)


class _ClockChange(NamedTuple):
    """Index of the pause in which the clock was set back: best, earliest and latest estimate."""

    best: int
    earliest: int
    latest: int


def _clock_change(pauses: Ints, hour_us: int, step_us: float) -> _ClockChange:
    """Return the pause in which the clock may have been set back.

    Among equal positions the latest is best, so that rows belong to the first pass.

    Args:
        pauses: pauses between consecutive rows of a run, in microseconds.
        hour_us: length of the repeated hour.
        step_us: typical time between two rows.
    """
    extra = _cost((pauses + hour_us) / step_us) - _cost(pauses / step_us)
    best = pauses.size - 1 - int(np.argmin(extra[::-1]))
    likely = np.flatnonzero(extra <= extra[best] + CLEAR)
    return _ClockChange(best, int(likely[0]), int(likely[-1]))


def _usual_step(first_us: Ints, begin: int, end: int) -> float:
    """Return the median time between neighbouring rows around a run, in microseconds."""
    near = np.abs(np.diff(first_us[max(0, begin - NEIGHBOURS) : end + NEIGHBOURS]))
    near = near[near > 0]
    return float(np.median(near)) if near.size else float(USUAL_STEP_US)


def _passes(first_us: Ints, second_us: Ints) -> tuple[Bools, Bools]:
    """Return (rows of the second pass, doubtful rows), given both readings of each row in file order."""
    later, doubtful = np.zeros((2, first_us.size), dtype=bool)
    repeated = first_us != second_us
    edges = np.flatnonzero(np.diff(np.concatenate([[0], repeated.astype(np.int8), [0]])))
    if edges.size > 2 * MAX_RUNS:
        return later, repeated
    whole = first_us[-1] - first_us[0]
    for begin, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        run = first_us[begin:end]
        steps = np.diff(run)
        # Most files begin with the oldest row; if the newest comes first, read the run from its end.
        is_rising = bool(whole > 0 if abs(whole) > LONG_US else np.sum(steps > 0) >= np.sum(steps < 0))
        order = np.arange(begin, end) if is_rising else np.arange(begin, end)[::-1]
        before, after = (begin - 1, end) if is_rising else (end, begin - 1)
        pauses = np.concatenate(
            [
                [_edge(first_us, before, first_us, int(order[0]), sign=1)],
                np.diff(first_us[order]),
                [_edge(first_us, after, second_us, int(order[-1]), sign=-1)],
            ]
        )
        hour = int(second_us[order[0]] - first_us[order[0]])
        change = _clock_change(pauses, hour, _usual_step(first_us, begin, end))
        later[order[change.best :]] = True
        doubtful[order[change.earliest : change.latest]] = True
    return later, doubtful


def _edge(outside_us: Ints, outside: int, inside_us: Ints, inside: int, *, sign: int) -> int:
    """Return the pause between a run and the adjacent row; `NEAR_US` if there is none, or it is out of order."""
    if not 0 <= outside < outside_us.size:
        return NEAR_US
    pause = sign * int(inside_us[inside] - outside_us[outside])
    return pause if pause >= 0 else NEAR_US


def unfold_times(local: pl.Series, zone: str) -> UnfoldedTimes:
    """Return local times in UTC, resolving the repeated hour by row order; times in a skipped hour become null.

    Args:
        local: naive local times in file order; null if a row has no time.
        zone: IANA name of the time zone.
    """
    first, second = (
        local.dt.replace_time_zone(zone, ambiguous=a, non_existent="null").dt.convert_time_zone("UTC")
        for a in ("earliest", "latest")
    )
    if not (first != second).any():
        return UnfoldedTimes(first, zone=zone)
    known = first.is_not_null()
    readings = [s.filter(known).dt.timestamp("us").to_numpy() for s in (first, second)]
    later, doubtful = np.zeros((2, local.len()), dtype=bool)
    later[known.to_numpy()], doubtful[known.to_numpy()] = _passes(*readings)
    return UnfoldedTimes(first.zip_with(pl.Series(~later), second), tuple(local.filter(pl.Series(doubtful))), zone)


def first_pass_before(times: UnfoldedTimes, limit_utc: pl.Series) -> pl.Series:
    """Return times in UTC, moved to the first pass of a repeated hour if they would be after a limit.

    A column that is not in time order, such as the time a truck left the field in a list of weighings, is resolved by
    the column that is.

    Args:
        times: times resolved by row order.
        limit_utc: latest possible time of each row; null if there is none.
    """
    if times.zone is None:
        return times.utc
    local = times.utc.dt.convert_time_zone(times.zone).dt.replace_time_zone(None)
    first = local.dt.replace_time_zone(times.zone, ambiguous="earliest").dt.convert_time_zone("UTC")
    return first.zip_with((times.utc > limit_utc).fill_null(value=False), times.utc)
