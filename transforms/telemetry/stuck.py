"""Detection of stuck sensors: a usually fluctuating sensor is constant while the machine's other sensors fluctuate.

A set point is a command and is constant for hours, so its constancy is neither a fault nor evidence of one. Only
sensors that fluctuate can be stuck, and only they are compared.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

STUCK_MINUTES = 15.0
"""A fluctuating sensor without any change for this long, while others move, is stuck (common practice, no source)."""
WINDOW_MINUTES, MIN_RECORDS, MIN_REVERSALS = 5.0, 10, 2
"""Criteria of a fluctuating sensor: most windows of this length have three distinct values and this many reversals.

Two values are not enough: a coarse reading flips between two values at a rounding edge, and a manual change of a set
point leaves two values in a window. A manual change in steps leaves many values, but all in one direction.
"""
MIN_MOVING = 0.5
"""Share of the other fluctuating sensors that must change meanwhile; else the logger is silent (assumption)."""


def run_seconds(values: Array, seconds: Array) -> Array:
    """Return the length in seconds of the run of equal values around each record, shape (n,).

    A missing value ends a run.

    Args:
        values: readings over working time, NaN if missing, shape (n,).
        seconds: working seconds since the start, ascending, shape (n,).
    """
    starts = np.flatnonzero(np.r_[True, values[1:] != values[:-1]])
    ends = np.r_[starts[1:], values.size] - 1
    return np.repeat(seconds[ends] - seconds[starts], np.diff(np.r_[starts, values.size]))


class Windows(NamedTuple):
    """Windows of time in which records are compared.

    Attributes:
        of_record: window of each record, numbered from 0 in the order of time, shape (n,).
        starts: first record of each window.
        is_full: windows with enough records, shape (windows,).
    """

    of_record: NDArray[np.int64]
    starts: NDArray[np.int64]
    is_full: Mask


def windows_of(seconds: Array) -> Windows:
    """Return the windows of records at given working seconds, ascending, shape (n,), n >= 2."""
    width = max(WINDOW_MINUTES * 60, MIN_RECORDS * float(np.median(np.diff(seconds))))
    is_first = np.append(True, np.diff(seconds // width) != 0)
    of_record = np.cumsum(is_first) - 1
    return Windows(of_record, np.flatnonzero(is_first), np.bincount(of_record) >= MIN_RECORDS // 2)


def is_fluctuating(values: Array, seconds: Array, run: Array, every: Windows | None = None) -> bool:
    """Return True if a sensor fluctuates outside its long runs of equal values.

    Args:
        values: its readings over working time, NaN if missing, shape (n,).
        seconds: working seconds since the start, ascending, shape (n,).
        run: `run_seconds` of the readings, shape (n,).
        every: `windows_of` all seconds, which sensors without missing readings and long runs share; None to compute it.
    """
    use = np.isfinite(values) & (run < STUCK_MINUTES * 60)
    if use.sum() < MIN_RECORDS:
        return False
    is_whole = bool(use.all())
    kept = values if is_whole else values[use]
    window, starts, full = every if every is not None and is_whole else windows_of(seconds[use])
    # The third value is neither the least nor the greatest.
    low, high = (extreme.reduceat(kept, starts)[window] for extreme in (np.minimum, np.maximum))
    has_third = np.logical_or.reduceat((kept != low) & (kept != high), starts)
    moves = np.flatnonzero(np.diff(kept)) + 1
    turned = moves[1:][np.diff(np.sign(kept[moves] - kept[moves - 1])) != 0]
    reversals = np.bincount(window[turned], minlength=window[-1] + 1)
    alive = has_third & (reversals >= MIN_REVERSALS)
    return bool(full.any() and np.mean(alive[full]) > 0.5)


def stuck_records(settings: dict[str, Array], runs: dict[str, Array], alive: frozenset[str]) -> dict[str, Mask]:
    """Return masks of the records in which a sensor is stuck, shape (n,), by setting; only settings with such records.

    Args:
        settings: readings of each setting over one machine-day's working time, NaN if missing, shape (n,).
        runs: `run_seconds` of each setting, shape (n,).
        alive: settings that fluctuate, on this day or on the machine's other days; only these are stuck or compared.
    """
    limit = STUCK_MINUTES * 60
    compared = [n for n in settings if n in alive]
    long = [n for n in compared if runs[n].max(initial=0.0) >= limit]
    if not long:
        return {}
    known = {n: np.isfinite(settings[n]) for n in compared}
    is_moving = {n: known[n] & (runs[n] < limit) for n in compared}
    all_seen, all_moving = np.sum(list(known.values()), axis=0), np.sum(list(is_moving.values()), axis=0)
    out = {}
    for name in long:
        seen, moving = all_seen - known[name], all_moving - is_moving[name]
        mask = (runs[name] >= limit) & (seen > 0) & (moving >= MIN_MOVING * seen)
        if mask.any():
            out[name] = mask
    return out
