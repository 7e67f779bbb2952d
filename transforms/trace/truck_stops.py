"""Stops of trucks beside machines and at sites, from logged positions at any interval from 5 s to 5 min.

Machines are known at each bin of 30 s, so every bin asks for the trucks beside it (`truck_points.py`). Times beside a
machine are those of the machine's own clock, as those of its emptyings are.
"""

import math

import polars as pl

from transforms.contracts.result_tables import schema_of
from transforms.trace.truck_clocks import SHIFT_SCHEMA, clock_shifts
from transforms.trace.truck_points import BIN_US, planar, possible_points, truck_segments, within_reach

STOP = schema_of("truck_stop", without=("day",))
YARD_M = 400.0
"""Radius of a site around its position in season.toml (common practice, no source)."""
JOIN_S = 90.0
"""Bins of a stop that are further apart belong to two stops."""
EMPTIED_BINS = 3
"""Bins after the start of an emptying in which a truck is beside the machine."""


def truck_stops(
    positions: pl.DataFrame, bins: pl.DataFrame, emptied: pl.DataFrame, sites: dict[str, tuple[float, float]]
) -> pl.DataFrame:
    """Return the stops of trucks beside machines and at sites, by truck and time.

    Args:
        positions: `truck_id, logged_at, lat_deg, lon_deg`; positions of trucks, UTC and degrees.
        bins: `machine_id, bin_at, lat_deg, lon_deg, field_id`; bins of 30 s of the machines.
        emptied: `machine_id, started_at`; emptyings of the machines, which show a wrong clock.
        sites: site -> latitude and longitude, degrees.

    Returns:
        `truck_id, machine_id, field_id, site_id, arrived_at, left_at, distance_m, machine_ahead_min`: machine and
        field, or site, of each stop, the shortest distance, metres, and how far the machine's clock is ahead of the
        truck's, minutes; times are those of the machine's clock, or at a site those of the truck's.
    """
    known = bins.drop_nulls(["lat_deg", "lon_deg"])
    found = [pl.DataFrame(schema=STOP)]
    if positions.height:
        segments = truck_segments(planar(positions, positions))
        if known.height:
            found.append(_beside_machines(segments, _machines(known, positions), emptied))
        if sites:
            found.append(_at_sites(segments, planar(_site_rows(sites), positions)))
    return pl.concat(found).sort("truck_id", "arrived_at", "machine_id", "site_id")


def _machines(bins: pl.DataFrame, around: pl.DataFrame) -> pl.DataFrame:
    """Return the place of each machine in each bin, with the field that it last worked in: `bin_us, x, y`, and ids."""
    named = bins.sort("machine_id", "bin_at").with_columns(
        pl.col("field_id").forward_fill().over("machine_id").backward_fill().over("machine_id")
    )
    return planar(named, around).select(
        "machine_id", "field_id", pl.col("bin_at").dt.timestamp("us").alias("bin_us"), "x", "y"
    )


def _emptied_bins(machines: pl.DataFrame, emptied: pl.DataFrame) -> pl.DataFrame:
    """Return the bins of machines during emptyings, with the number of the emptying: `machine_id, emptying, bin_us`."""
    first = pl.col("started_at").dt.timestamp("us") // BIN_US * BIN_US
    starts = emptied.select("machine_id", first.alias("bin_us")).with_row_index("emptying")
    each = starts.join(pl.DataFrame({"later": [BIN_US * k for k in range(EMPTIED_BINS)]}), how="cross")
    each = each.select("machine_id", "emptying", pl.col("bin_us") + pl.col("later"))
    return each.join(machines, on=["machine_id", "bin_us"], how="inner", maintain_order="left")


def _beside_machines(segments: pl.DataFrame, machines: pl.DataFrame, emptied: pl.DataFrame) -> pl.DataFrame:
    points = possible_points(segments, machines)
    shifts = pl.DataFrame(schema=SHIFT_SCHEMA)
    if emptied.height:
        shifts = clock_shifts(points, _emptied_bins(machines, emptied))
    ahead = pl.col("ahead_us").fill_null(0)
    # Both clocks count whole bins: a clock that is ahead by an odd number of minutes still is by an even one of bins.
    timed = machines.join(shifts, on="machine_id", how="left", maintain_order="left").with_columns(ahead)
    beside = within_reach(points, timed.with_columns(pl.col("bin_us") - pl.col("ahead_us")))
    named = ["truck_id", "machine_id", "field_id", "ahead_us", "bin_us"]
    closest = beside.group_by(named, maintain_order=True).agg(pl.col("distance_m").min())
    key = ["truck_id", "machine_id"]
    is_new = (pl.col("bin_us").diff().over(key) > JOIN_S * 1e6).fill_null(value=True)
    own_us = pl.col("bin_us") + pl.col("ahead_us")
    return (
        closest.sort(*key, "bin_us")
        .with_columns(is_new.cum_sum().over(key).alias("stop"))
        .group_by(*key, "stop", maintain_order=True)
        .agg(
            pl.col("field_id").first(),
            pl.lit(None, pl.String).alias("site_id"),
            own_us.min().cast(pl.Datetime("us", "UTC")).alias("arrived_at"),
            (own_us.max() + BIN_US).cast(pl.Datetime("us", "UTC")).alias("left_at"),
            pl.col("distance_m").min(),
            (pl.col("ahead_us").first() / 60e6).alias("machine_ahead_min"),
        )
        .select(list(STOP))
    )


def _site_rows(sites: dict[str, tuple[float, float]]) -> pl.DataFrame:
    return pl.DataFrame(
        [(s, lat, lon) for s, (lat, lon) in sites.items()], schema=["site_id", "lat_deg", "lon_deg"], orient="row"
    )


def _at_sites(segments: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """Return the stops at sites, from the first to the last position in the yard."""
    inside = [segments.clear().with_columns(pl.lit(0.0).alias("distance_m"), pl.lit("").alias("site_id"))]
    for site, x, y in sites.select("site_id", "x", "y").iter_rows():
        if not (math.isfinite(x) and math.isfinite(y)):
            continue
        distance = ((pl.col("x") - x) ** 2 + (pl.col("y") - y) ** 2).sqrt()
        near = segments.with_columns(distance.alias("distance_m"), pl.lit(site).alias("site_id"))
        inside.append(near.filter(pl.col("distance_m") <= YARD_M))
    rows = pl.concat(inside).sort("truck_id", "site_id", "us")
    key = ["truck_id", "site_id"]
    is_new = (pl.col("us") != pl.col("next_us").shift().over(key)).fill_null(value=True)
    return (
        rows.with_columns(is_new.cum_sum().over(key).alias("stop"))
        .group_by(*key, "stop", maintain_order=True)
        .agg(
            pl.lit(None, pl.String).alias("machine_id"),
            pl.lit(None, pl.String).alias("field_id"),
            pl.col("us").min().cast(pl.Datetime("us", "UTC")).alias("arrived_at"),
            pl.col("us").max().cast(pl.Datetime("us", "UTC")).alias("left_at"),
            pl.col("distance_m").min(),
            pl.lit(0.0).alias("machine_ahead_min"),
        )
        .select(list(STOP))
    )
