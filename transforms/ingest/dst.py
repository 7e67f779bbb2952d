"""The hour that clocks repeat in autumn: the pass of it that each row of a file was written in.

A file's rows are in order of time, so between the row before the hour and the row after it the clock is put back
exactly once. It was put back where times go back, else in the longest pause; the two ends of a file count as a pause
of `NEAR_US`. Where two places fit about equally well, the rows between them are read as the first pass (summer time)
or as the better place says, and are reported as doubtful.
"""

import datetime as dt
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

LONG_US = 2 * 3_600_000_000
NEAR_US = 45 * 60_000_000
USUAL_STEP_US = 15 * 60_000_000
"""Time between two rows where a file has too few to say."""
NEIGHBOURS = 50
BACKWARD = 3.0
"""Weight of time that goes back: rows a little out of order are rarer than pauses."""
CLEAR = 0.4
"""A place for the repeated hour is clear if it is better than others by this: a pause some 1.5 times as long."""
MAX_RUNS = 1_000
"""Stretches of rows inside repeated hours; a file with more is in no order of time."""
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class UnfoldedTimes:
    """Times in UTC, and those of the repeated hour for which nothing shows the pass.

    Attributes:
        utc: times in UTC; null where there is none.
        doubtful: the local times that were read as one pass and may be of the other.
    """

    utc: pl.Series
    doubtful: tuple[dt.datetime, ...] = ()

    def finding(self, name: str) -> tuple[str, ...]:
        """Return what a person should know of these times; nothing if all are clear."""
        if not self.doubtful:
            return ()
        says = (
            f"{len(self.doubtful):,} times of '{name}' are in the hour that clocks repeat, and their pass is not "
            f"certain (the first is {self.doubtful[0]:%Y-%m-%d %H:%M:%S}); give such times with their offset from UTC"
        )
        return (says,)


def _cost(pause: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how odd a pause between two rows is, in steps usual in the file; going back is odder than waiting."""
    return np.where(pause >= 0, np.log1p(np.maximum(pause, 0)), -BACKWARD * pause)


def _turn(pauses: Ints, hour_us: int, step_us: float) -> tuple[int, int, int]:
    """Return (place, earliest, latest) at which the clock may have been put back, of the pauses of a run.

    The place is the best one; of equals the latest, so that rows are of the first pass.
    """
    extra = _cost((pauses + hour_us) / step_us) - _cost(pauses / step_us)
    best = pauses.size - 1 - int(np.argmin(extra[::-1]))
    likely = np.flatnonzero(extra <= extra[best] + CLEAR)
    return best, int(likely[0]), int(likely[-1])


def _usual_step(first_us: Ints, begin: int, end: int) -> float:
    near = np.abs(np.diff(first_us[max(0, begin - NEIGHBOURS) : end + NEIGHBOURS]))
    near = near[near > 0]
    return float(np.median(near)) if near.size else float(USUAL_STEP_US)


def _passes(first_us: Ints, second_us: Ints) -> tuple[Bools, Bools]:
    """Return (rows of the second pass, doubtful rows), from both readings of each row in the order of the file."""
    later, doubtful = np.zeros((2, first_us.size), dtype=bool)
    repeated = first_us != second_us
    edges = np.flatnonzero(np.diff(np.concatenate([[0], repeated.astype(np.int8), [0]])))
    if edges.size > 2 * MAX_RUNS:
        return later, repeated
    whole = first_us[-1] - first_us[0]
    for begin, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        run = first_us[begin:end]
        steps = np.diff(run)
        # Most files begin with the oldest row; where the newest comes first, the run is read from its end.
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
        place, earliest, latest = _turn(pauses, hour, _usual_step(first_us, begin, end))
        later[order[place:]] = True
        doubtful[order[earliest:latest]] = True
    return later, doubtful


def _edge(outside_us: Ints, outside: int, inside_us: Ints, inside: int, *, sign: int) -> int:
    """Return the pause between a run and the row beside it; `NEAR_US` without one, or with one out of order."""
    if not 0 <= outside < outside_us.size:
        return NEAR_US
    pause = sign * int(inside_us[inside] - outside_us[outside])
    return pause if pause >= 0 else NEAR_US


def unfold_times(local: pl.Series, zone: str) -> UnfoldedTimes:
    """Return local times in UTC: the repeated hour by the order of the rows; an hour that clocks skip is null.

    Args:
        local: naive local times in the order of their file; null where there is none.
        zone: IANA name of the zone.
    """
    first, second = (
        local.dt.replace_time_zone(zone, ambiguous=a, non_existent="null").dt.convert_time_zone("UTC")
        for a in ("earliest", "latest")
    )
    if not (first != second).any():
        return UnfoldedTimes(first)
    known = first.is_not_null()
    readings = [s.filter(known).dt.timestamp("us").to_numpy() for s in (first, second)]
    later, doubtful = np.zeros((2, local.len()), dtype=bool)
    later[known.to_numpy()], doubtful[known.to_numpy()] = _passes(*readings)
    return UnfoldedTimes(first.zip_with(pl.Series(~later), second), tuple(local.filter(pl.Series(doubtful))))
