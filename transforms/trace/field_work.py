"""One field's work and the loads whose tickets name it: what tracing starts from."""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.contracts.natural_order import natural_key
from transforms.trace.mass_streams import MINUTE_US, Stretch

Array = NDArray[np.float64]

EARLY_MIN, LATE_MIN = 240.0, 300.0
"""A load that left longer before or after the work than this was not filled straight from a machine."""
PLAUSIBLE = 1.5
"""Work that closes worse than this against the fleet has lost tickets or loads."""
FIRST_LAG_MIN = 35.0
"""What is thought of a lag before any is known."""


@dataclass(frozen=True)
class TracedFieldWork:
    """One field: its work and the loads whose tickets name it.

    Attributes:
        field_id: the field.
        stretches: its work in order of time.
        loads: `load_id, site_id, km, machine_id, left_field_at, weighed_at, gross_t`.
    """

    field_id: str
    stretches: list[Stretch]
    loads: pl.DataFrame


def in_order(loads: pl.DataFrame) -> pl.DataFrame:
    """Return loads in the order of their weighing; in one minute the number of the ticket decides."""
    return loads.sort("weighed_at", natural_key(pl.col("load_id")), "load_id")


def nearest_stretch(stretches: list[Stretch], left_min: Array) -> tuple[NDArray[np.int64], Array]:
    """Return the stretch nearest in time to each load, and minutes after its end (negative: before its beginning)."""
    if not stretches or not left_min.size:
        return np.full(left_min.size, -1), np.zeros(left_min.size)
    first, last = (np.array([getattr(s, f) for s in stretches]) for f in ("first_min", "last_min"))
    after = np.maximum(left_min[:, None] - last, 0) - np.maximum(first - left_min[:, None], 0)
    index = np.abs(after).argmin(axis=1)
    return index, after[np.arange(left_min.size), index]


def straight_from_the_machine(after_min: Array) -> NDArray[np.bool_]:
    """Whether loads left so near to the work that they were filled from a machine, not from a heap."""
    return np.asarray((after_min < LATE_MIN) & (after_min > -EARLY_MIN))


def minutes(loads: pl.DataFrame, column: str) -> Array:
    """Return a column of times as minutes since 1970; nan where there is none."""
    return np.asarray(loads[column].dt.timestamp("us").cast(pl.Float64).fill_null(np.nan).to_numpy() / MINUTE_US)
