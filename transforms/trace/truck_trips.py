"""Trips of trucks: tickets that one arrival of a truck at a site gave.

A load may be split over two tickets (two growers, two contracts), and truck and trailer may have a ticket each. Such
tickets name the same truck and were weighed so shortly after each other that it cannot have been at a field meanwhile.
A ticket for truck and trailer together is a load like any other.
"""

import polars as pl

from transforms.trace.field_work import sort_by_weighing

FASTEST_MIN_PER_KM = 0.75
"""Fastest drive of a truck (common practice, no source), as in `offset_cause.py`."""
TURN_MIN = 5.0
"""Least time to unload, and to be filled (common practice, no source)."""
MAX_SAME_TRIP_MIN = 45.0
"""Longest time between two tickets of a trip: a truck may be unloaded before its trailer is weighed."""


def add_trips(loads: pl.DataFrame) -> pl.DataFrame:
    """Return loads with `trip_id`, the first ticket of the trip that brought each; null without truck and trailer.

    Args:
        loads: `load_id, site_id, km, weighed_at, truck_id, trailer_id`; road distance from field to site, km.
    """
    ordered = sort_by_weighing(loads.with_row_index("row"))
    ordered = ordered.with_columns(_vehicle(ordered).alias("vehicle"))
    key = ["vehicle", "site_id"]
    gap_min = pl.col("weighed_at").diff().over(key).dt.total_microseconds() / 60e6
    least_min = 2 * (TURN_MIN + FASTEST_MIN_PER_KM * pl.col("km"))
    is_new = (gap_min >= least_min.clip(upper_bound=MAX_SAME_TRIP_MIN)).fill_null(value=True)
    number = is_new.cum_sum().over(key).alias("number")
    first = pl.when(pl.col("vehicle").is_not_null()).then(pl.col("load_id").first().over([*key, "number"]))
    trips = ordered.with_columns(number).with_columns(first.alias("trip_id"))
    return trips.sort("row").drop("row", "vehicle", "number")


def _vehicle(ordered: pl.DataFrame) -> pl.Expr:
    """Return the truck of each ticket; of a ticket that names only a trailer, the truck that last brought it there."""
    by_trailer = ["trailer_id", "site_id"]
    last = pl.col("truck_id").forward_fill().over(by_trailer)
    at = pl.when(pl.col("truck_id").is_not_null()).then(pl.col("weighed_at")).forward_fill().over(by_trailer)
    is_recent = (pl.col("weighed_at") - at).dt.total_microseconds() <= MAX_SAME_TRIP_MIN * 60e6
    of_trailer = pl.when(pl.col("trailer_id").is_not_null() & is_recent).then(last)
    if ordered["trailer_id"].null_count() == ordered.height:
        return pl.col("truck_id")
    return pl.coalesce("truck_id", of_trailer, pl.concat_str(pl.lit("trailer "), "trailer_id"))
