"""States of a machine from the raw values of its elements: working, sections on, unloading."""

import numpy as np
import polars as pl
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def work_state(states: list[Floats], n: int) -> pl.Series:
    """Return working where any element is on, off where one is off and none on; error and not available are null."""
    on, off = np.zeros(n, dtype=bool), np.zeros(n, dtype=bool)
    for state in states:
        on |= state == 1
        off |= state == 0
    words = np.where(on, "working", np.where(off, "off", ""))
    return pl.Series("work state", words.tolist(), dtype=pl.String).replace("", None)


def sections_on(states: list[Floats], n: int) -> Floats:
    """Return percent of sections on, two bits a section from the lowest: 0 off, 1 on, 2 error, 3 not available."""
    on, known = np.zeros(n), np.zeros(n)
    for state in states:
        bits = np.nan_to_num(state, nan=-1.0).astype(np.int64) & 0xFFFFFFFF
        for section in range(16):
            pair = (bits >> (2 * section)) & 3
            on += pair == 1
            known += pair <= 1
    return np.where(known > 0, 100 * on / np.maximum(known, 1), np.nan)


def unloading(states: list[Floats], n: int) -> Floats:
    """Return 1 where the status is unloading: the lowest two bits are 1 (from memory; a mapping may name another)."""
    out = np.full(n, np.nan)
    for state in states:
        known = np.isfinite(state)
        out[known] = (state[known].astype(np.int64) & 3) == 1
    return out
