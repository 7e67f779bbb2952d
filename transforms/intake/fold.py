"""The hour that clocks repeat in autumn: which of its two passes each row of a file was written in.

A file's rows stand in order of time, so the second pass shows as times that go back; where a file holds only one of
the passes, it is the one that goes on from the row before or to the row after.
"""

import numpy as np
import polars as pl
from numpy.typing import NDArray

LONG_US = 2 * 3_600_000_000
NEAR_US = 45 * 60_000_000
BACK_S = 600
"""Times that go back by less than this are rows out of order, not the clock put back."""


def _second_pass(first_us: NDArray[np.int64], second_us: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Whether each row lies in the second pass, from its two readings in the order of the file; equal where clear."""
    open_ = first_us != second_us
    out = np.zeros(first_us.size, dtype=bool)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], open_.astype(np.int8), [0]])))
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        run = first_us[begin:end]
        steps = np.diff(run)
        # Most files begin with the oldest row; where the newest stands first the passes come the other way round.
        whole = first_us[-1] - first_us[0]
        rising = whole > 0 if abs(whole) > LONG_US else np.sum(steps > 0) >= np.sum(steps < 0)
        turns = np.flatnonzero(steps < -BACK_S * 1_000_000 if rising else steps > BACK_S * 1_000_000)
        if turns.size:
            after = np.arange(run.size) > turns[0]
            out[begin:end] = after if rising else ~after
            continue
        out[begin:end] = _goes_with_the_later(first_us, second_us, begin, end, rising=bool(rising))
    return out


def _goes_with_the_later(
    first_us: NDArray[np.int64], second_us: NDArray[np.int64], begin: int, end: int, *, rising: bool
) -> bool:
    """Whether a run of one pass alone goes on to the rows of the time after it rather than from those before.

    Where only one side is there it must be near; where neither tells, the first pass is meant.
    """
    earlier, later = (begin - 1, end) if rising else (end, begin - 1)
    first, last = (begin, end - 1) if rising else (end - 1, begin)
    before = abs(first_us[first] - first_us[earlier]) if 0 <= earlier < first_us.size else NEAR_US
    after = abs(first_us[later] - second_us[last]) if 0 <= later < first_us.size else NEAR_US
    return bool(after < before)


def unfolded(local: pl.Series, zone: str) -> pl.Series:
    """Return local times in UTC: the repeated hour by the order of the rows; an hour that clocks skip is no time.

    Args:
        local: naive local times in the order of their file; null where there is none.
        zone: IANA name of the zone.
    """
    first, second = (
        local.dt.replace_time_zone(zone, ambiguous=a, non_existent="null").dt.convert_time_zone("UTC")
        for a in ("earliest", "latest")
    )
    if not (first != second).any():
        return first
    known = first.is_not_null()
    readings = [s.filter(known).dt.timestamp("us").to_numpy() for s in (first, second)]
    later = np.zeros(local.len(), dtype=bool)
    later[known.to_numpy()] = _second_pass(*readings)
    return first.zip_with(pl.Series(~later), second)
