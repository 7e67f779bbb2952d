"""Machine states from the raw values of elements: working, sections on, unloading."""

import numpy as np
import polars as pl
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def work_state(states: list[Floats], n: int) -> pl.Series:
    """Return "working" if any element is on, "off" if at least one is off and none is on; otherwise null."""
    on, off = np.zeros(n, dtype=bool), np.zeros(n, dtype=bool)
    for state in states:
        on |= state == 1
        off |= state == 0
    words = np.where(on, "working", np.where(off, "off", ""))
    return pl.Series("work state", words.tolist(), dtype=pl.String).replace("", None)


def sections_on(states: list[Floats], n: int) -> Floats:
    """Return the percentage of sections that are on; two bits per section: 0 off, 1 on, 2 error, 3 not available."""
    on, known = np.zeros(n), np.zeros(n)
    for state in states:
        bits = np.nan_to_num(state, nan=-1.0).astype(np.int64) & 0xFFFFFFFF
        for section in range(16):
            pair = (bits >> (2 * section)) & 3
            on += pair == 1
            known += pair <= 1
    return np.where(known > 0, 100 * on / np.maximum(known, 1), np.nan)


def unloading(states: list[Floats], n: int) -> Floats:
    """Return 1 if the lowest two bits are 1, which means unloading (from memory; a mapping may name another value)."""
    out = np.full(n, np.nan)
    for state in states:
        known = np.isfinite(state)
        out[known] = (state[known].astype(np.int64) & 3) == 1
    return out
