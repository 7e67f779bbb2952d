"""Stops of trucks beside machines and at sites, from logged positions at any interval from 5 s to 5 min.

Machines are known at each bin of 30 s, so every bin asks for the trucks beside it. Between two positions a truck is
taken to be anywhere that it can have been: still at the first until it must leave to be at the second in time, at the
second as soon as it can have arrived, or on the line between them (a truck that is filled while it drives along). A
sparse log therefore never hides a stop; it only makes it look longer.
"""

import math

import polars as pl

from transforms.contracts.result_tables import schema_of
from transforms.geo import metres_per_degree

STOP = schema_of("truck_stop", without=("day",))
REACH_M = 40.0
"""Longest distance between a truck and the machine that fills it: 30 m with the errors of two receivers and the width
of both vehicles (common practice, no source)."""
YARD_M = 400.0
"""Radius of a site around its position in season.toml (common practice, no source)."""
BIN_US, HALF_BIN_US = 30_000_000, 15_000_000
FASTEST_M_S = 15.0
"""Fastest that a truck leaves a field in a straight line, 54 km/h (common practice, no source)."""
MAX_GAP_S = 660.0
"""Longest time between two positions of a truck that drove: two intervals of 5 min and a little."""
MAX_REST_S, REST_M = 4 * 3600.0, 60.0
"""Trackers sleep while a truck rests: longest such time, and distance within which it has not moved."""
JOIN_S = 90.0
"""Bins of a stop that are further apart belong to two stops."""
CELL_M = 100.0
HERE, NEXT = ("x", "y"), ("next_x", "next_y")


def truck_stops(positions: pl.DataFrame, bins: pl.DataFrame, sites: dict[str, tuple[float, float]]) -> pl.DataFrame:
    """Return the stops of trucks beside machines and at sites, by truck and time.

    Args:
        positions: `truck_id, logged_at, lat_deg, lon_deg`; positions of trucks, UTC and degrees.
        bins: `machine_id, bin_at, lat_deg, lon_deg, field_id`; bins of 30 s of the machines.
        sites: site -> latitude and longitude, degrees.

    Returns:
        `truck_id, machine_id, field_id, site_id, arrived_at, left_at, distance_m`: machine and field, or site, of each
        stop, and the shortest distance, metres.
    """
    known = bins.drop_nulls(["lat_deg", "lon_deg"])
    found = [pl.DataFrame(schema=STOP)]
    if positions.height:
        segments = _segments(_planar(positions, positions))
        if known.height:
            found.append(_beside_machines(segments, _machines(known, positions)))
        if sites:
            found.append(_at_sites(segments, _planar(_site_rows(sites), positions)))
    return pl.concat(found).sort("truck_id", "arrived_at", "machine_id", "site_id")


def _planar(rows: pl.DataFrame, around: pl.DataFrame) -> pl.DataFrame:
    """Return rows with `x, y`, metres on a plane that touches the middle of other rows."""
    middle = float(around["lat_deg"].median())  # type: ignore[arg-type]
    east, north = metres_per_degree(middle)
    return rows.with_columns((pl.col("lon_deg") * east).alias("x"), (pl.col("lat_deg") * north).alias("y"))


def _segments(positions: pl.DataFrame) -> pl.DataFrame:
    """Return each position with the next one of its truck: `truck_id, us, x, y, next_us, next_x, next_y, move_m`.

    The next position is the same one if the truck was not logged for so long that nothing is known of it meanwhile.
    """
    ordered = positions.select("truck_id", pl.col("logged_at").dt.timestamp("us").alias("us"), "x", "y")
    ordered = ordered.sort("truck_id", "us")
    following = [pl.col(c).shift(-1).over("truck_id").alias(f"next_{c}") for c in ("us", "x", "y")]
    rows = ordered.with_columns(following)
    move = ((pl.col("next_x") - pl.col("x")) ** 2 + (pl.col("next_y") - pl.col("y")) ** 2).sqrt()
    rows = rows.with_columns(move.alias("move_m"))
    gap_s = (pl.col("next_us") - pl.col("us")) / 1e6
    is_joined = (gap_s <= MAX_GAP_S) | ((gap_s <= MAX_REST_S) & (pl.col("move_m") <= REST_M))
    alone = {"next_us": pl.col("us") + BIN_US, "next_x": pl.col("x"), "next_y": pl.col("y"), "move_m": pl.lit(0.0)}
    return rows.with_columns(
        pl.when(is_joined.fill_null(value=False)).then(pl.col(c)).otherwise(other).alias(c)
        for c, other in alone.items()
    )


def _machines(bins: pl.DataFrame, around: pl.DataFrame) -> pl.DataFrame:
    """Return the place of each machine in each bin, with the field that it last worked in: `bin_us, x, y`, and ids."""
    named = bins.sort("machine_id", "bin_at").with_columns(
        pl.col("field_id").forward_fill().over("machine_id").backward_fill().over("machine_id")
    )
    return _planar(named, around).select(
        "machine_id", "field_id", pl.col("bin_at").dt.timestamp("us").alias("bin_us"), "x", "y"
    )


def _cell(columns: tuple[str, str]) -> list[pl.Expr]:
    return [(pl.col(c) / CELL_M).floor().cast(pl.Int32).alias(f"cell_{i}") for i, c in enumerate(columns)]


def _around(cells: pl.DataFrame) -> pl.DataFrame:
    """Return rows nine times: in their own cell and in the eight around it."""
    steps = pl.DataFrame({"east": [-1, 0, 1] * 3, "north": [-1] * 3 + [0] * 3 + [1] * 3})
    steps = steps.with_columns(pl.all().cast(pl.Int32))
    return (
        cells.join(steps, how="cross")
        .with_columns(pl.col("cell_0") + pl.col("east"), pl.col("cell_1") + pl.col("north"))
        .drop("east", "north")
    )


def _beside_machines(segments: pl.DataFrame, machines: pl.DataFrame) -> pl.DataFrame:
    placed = machines.with_columns(_cell(HERE))
    cells = _around(placed.select("cell_0", "cell_1").unique()).unique()
    ends = [segments.with_row_index("row").with_columns(_cell(c)) for c in (HERE, NEXT)]
    rows = pl.concat([e.join(cells, on=["cell_0", "cell_1"], how="semi").select("row") for e in ends]).unique()
    near = segments.with_row_index("row").join(rows, on="row", how="semi", maintain_order="left")
    points = _possible_points(near).with_columns(_cell(HERE))
    pairs = points.join(
        _around(placed), on=["bin_us", "cell_0", "cell_1"], how="inner", suffix="_machine", maintain_order="left"
    )
    distance = ((pl.col("x") - pl.col("x_machine")) ** 2 + (pl.col("y") - pl.col("y_machine")) ** 2).sqrt()
    beside = pairs.with_columns(distance.alias("distance_m")).filter(pl.col("distance_m") <= REACH_M)
    closest = beside.group_by("truck_id", "machine_id", "field_id", "bin_us").agg(pl.col("distance_m").min())
    key = ["truck_id", "machine_id"]
    is_new = (pl.col("bin_us").diff().over(key) > JOIN_S * 1e6).fill_null(value=True)
    return (
        closest.sort(*key, "bin_us")
        .with_columns(is_new.cum_sum().over(key).alias("stop"))
        .group_by(*key, "stop", maintain_order=True)
        .agg(
            pl.col("field_id").first(),
            pl.lit(None, pl.String).alias("site_id"),
            pl.col("bin_us").min().cast(pl.Datetime("us", "UTC")).alias("arrived_at"),
            (pl.col("bin_us").max() + BIN_US).cast(pl.Datetime("us", "UTC")).alias("left_at"),
            pl.col("distance_m").min(),
        )
        .select(list(STOP))
    )


def _possible_points(segments: pl.DataFrame) -> pl.DataFrame:
    """Return the places where a truck can have been in each bin: `truck_id, bin_us, x, y`."""
    first = (pl.col("us") + HALF_BIN_US - 1) // BIN_US * BIN_US  # the first bin whose middle is not before the position
    last = (pl.col("next_us") + HALF_BIN_US - 1) // BIN_US * BIN_US - BIN_US
    bins = (
        segments.with_columns(pl.int_ranges(first, last + 1, BIN_US).alias("bin_us"))
        .explode("bin_us")
        .drop_nulls("bin_us")
    )
    middle = pl.col("bin_us") + HALF_BIN_US
    since_s, until_s = (middle - pl.col("us")) / 1e6, (pl.col("next_us") - middle) / 1e6
    drive_s = pl.col("move_m") / FASTEST_M_S
    passed = since_s / (since_s + until_s)
    kept = ["truck_id", "bin_us"]
    line = [(pl.col(a) + passed * (pl.col(b) - pl.col(a))).alias(a) for a, b in zip(HERE, NEXT, strict=True)]
    return pl.concat(
        [
            bins.select(*kept, *line),
            bins.filter(until_s >= drive_s).select(*kept, *HERE),
            bins.filter(since_s >= drive_s).select(
                *kept, *(pl.col(b).alias(a) for a, b in zip(HERE, NEXT, strict=True))
            ),
        ]
    )


def _site_rows(sites: dict[str, tuple[float, float]]) -> pl.DataFrame:
    return pl.DataFrame(
        [(s, lat, lon) for s, (lat, lon) in sites.items()], schema=["site_id", "lat_deg", "lon_deg"], orient="row"
    )


def _at_sites(segments: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """Return the stops at sites, from the first to the last position in the yard."""
    inside = []
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
        )
        .select(list(STOP))
    )
