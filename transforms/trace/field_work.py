"""Input of the tracing of one field: its stretches of work and the loads whose tickets name it."""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.contracts.natural_order import natural_key
from transforms.trace.mass_streams import MINUTE_US, Stretch

Array = NDArray[np.float64]

EARLY_MIN, LATE_MIN = 240.0, 300.0
"""A load that left longer before or after the work than this was not filled directly from a machine."""
PLAUSIBLE = 1.5
"""A stretch whose closure differs from the fleet's by more than this factor has lost tickets or loads."""
FIRST_LAG_MIN = 35.0
"""Assumed lag before any is estimated."""


@dataclass(frozen=True)
class TracedFieldWork:
    """One field with its stretches of work and the loads whose tickets name it.

    Attributes:
        field_id: the field.
        stretches: its stretches of work in order of time.
        loads: `load_id, site_id, km, machine_id, left_field_at, weighed_at, delivered_t`, and those of `truck_id,
            trailer_id, tared_at, gang_id, trip_id` that a ticket has; tickets of one arrival have the same `trip_id`.
        stops: stops of trucks beside machines in the field, and of the same trucks at sites: `truck_id, machine_id,
            site_id, arrived_at, left_at, distance_m, machine_ahead_min`, times beside a machine by its own clock; None
            without positions of trucks.
    """

    field_id: str
    stretches: list[Stretch]
    loads: pl.DataFrame
    stops: pl.DataFrame | None = None


def sort_by_weighing(loads: pl.DataFrame) -> pl.DataFrame:
    """Return loads in the order of weighing; ties within a minute are ordered by ticket number."""
    return loads.sort("weighed_at", natural_key(pl.col("load_id")), "load_id")


def nearest_stretch(stretches: list[Stretch], left_min: Array) -> tuple[NDArray[np.int64], Array]:
    """Return the index of the stretch nearest to each load and the minutes after its end (negative: before its start).

    The index is -1 if there are no stretches. Both arrays have shape (n,).

    Args:
        stretches: stretches of work of a field, in order of time.
        left_min: departure of each load, minutes since 1970, shape (n,).
    """
    if not stretches or not left_min.size:
        return np.full(left_min.size, -1), np.zeros(left_min.size)
    first, last = (np.array([getattr(s, f) for s in stretches]) for f in ("first_min", "last_min"))
    after = np.maximum(left_min[:, None] - last, 0) - np.maximum(first - left_min[:, None], 0)
    index = np.abs(after).argmin(axis=1)
    return index, after[np.arange(left_min.size), index]


def is_filled_by_machine(after_min: Array) -> NDArray[np.bool_]:
    """Return True for loads that left close enough to the work to be filled from a machine, not from a heap."""
    return np.asarray((after_min < LATE_MIN) & (after_min > -EARLY_MIN))


def to_minutes(loads: pl.DataFrame, column: str) -> Array:
    """Return a column of times as minutes since 1970, shape (n,); NaN if missing.

    Args:
        loads: n loads.
        column: name of a column of UTC times.
    """
    return np.asarray(loads[column].dt.timestamp("us").cast(pl.Float64).fill_null(np.nan).to_numpy() / MINUTE_US)
