"""Places where trucks can have been at each bin, from logged positions at any interval from 5 s to 5 min.

Between two positions a truck is taken to be anywhere that it can have been: still at the first until it must leave to
be at the second in time, at the second as soon as it can have arrived, or on the line between them (a truck that is
filled while it drives along). A sparse log therefore never hides a stop; it only makes it look longer.
"""

import polars as pl

from transforms.geo import metres_per_degree

REACH_M = 40.0
"""Longest distance between a truck and the machine that fills it: 30 m with the errors of two receivers and the width
of both vehicles (common practice, no source)."""
BIN_US, HALF_BIN_US = 30_000_000, 15_000_000
FASTEST_M_S = 15.0
"""Fastest that a truck leaves a field in a straight line, 54 km/h (common practice, no source)."""
MAX_GAP_S = 660.0
"""Longest time between two positions of a truck that drove: two intervals of 5 min and a little."""
MAX_REST_S, REST_M = 4 * 3600.0, 60.0
"""Trackers sleep while a truck rests: longest such time, and distance within which it has not moved."""
CELL_M = 100.0
HERE, NEXT = ("x", "y"), ("next_x", "next_y")
CELL = ["cell_0", "cell_1"]
STEPS = {"east": pl.Int32, "north": pl.Int32}


def planar(rows: pl.DataFrame, around: pl.DataFrame) -> pl.DataFrame:
    """Return rows with `x, y`, metres on a plane that touches the earth at the middle of other rows.

    Args:
        rows: rows with `lat_deg, lon_deg`.
        around: rows with `lat_deg`, at least one.
    """
    middle = float(around["lat_deg"].median())  # type: ignore[arg-type]
    east, north = metres_per_degree(middle)
    return rows.with_columns((pl.col("lon_deg") * east).alias("x"), (pl.col("lat_deg") * north).alias("y"))


def truck_segments(positions: pl.DataFrame) -> pl.DataFrame:
    """Return each position with the next one of its truck: `truck_id, us, x, y, next_us, next_x, next_y, move_m`.

    The next position is the same one if the truck was not logged for so long that nothing is known of it meanwhile.

    Args:
        positions: `truck_id, logged_at, x, y`.
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


def with_cells(rows: pl.DataFrame, columns: tuple[str, str] = HERE) -> pl.DataFrame:
    """Return rows with `cell_0, cell_1`, the square of 100 m that they lie in.

    Args:
        rows: rows with both columns.
        columns: names of the columns of metres east and north.
    """
    return rows.with_columns(
        (pl.col(c) / CELL_M).floor().cast(pl.Int32).alias(name) for c, name in zip(columns, CELL, strict=True)
    )


def in_cells_around(rows: pl.DataFrame) -> pl.DataFrame:
    """Return rows with `cell_0, cell_1` nine times: in their own cell and in the eight around it."""
    steps = pl.DataFrame({"east": [-1, 0, 1] * 3, "north": [-1] * 3 + [0] * 3 + [1] * 3}, schema_overrides=STEPS)
    return (
        rows.join(steps, how="cross")
        .with_columns(pl.col("cell_0") + pl.col("east"), pl.col("cell_1") + pl.col("north"))
        .drop("east", "north")
    )


def possible_points(segments: pl.DataFrame, machines: pl.DataFrame) -> pl.DataFrame:
    """Return where trucks can have been in each bin, near places of machines: `truck_id, bin_us, x, y`, and cells.

    Args:
        segments: result of `truck_segments`.
        machines: places of machines at any time, `x, y`.
    """
    cells = in_cells_around(with_cells(machines).select(CELL).unique()).unique()
    numbered = segments.with_row_index("row")
    ends = [with_cells(numbered, c).join(cells, on=CELL, how="semi").select("row") for c in (HERE, NEXT)]
    near = numbered.join(pl.concat(ends).unique(), on="row", how="semi", maintain_order="left")
    return with_cells(_points_of_bins(near))


def _points_of_bins(segments: pl.DataFrame) -> pl.DataFrame:
    """Return the places where a truck can have been in the middle of each bin: `truck_id, bin_us, x, y`."""
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
    there = [pl.col(b).alias(a) for a, b in zip(HERE, NEXT, strict=True)]
    line = [(pl.col(a) + passed * (pl.col(b) - pl.col(a))).alias(a) for a, b in zip(HERE, NEXT, strict=True)]
    return pl.concat(
        [
            bins.select(*kept, *line),
            bins.filter(until_s >= drive_s).select(*kept, *HERE),
            bins.filter(since_s >= drive_s).select(*kept, *there),
        ]
    )


def within_reach(points: pl.DataFrame, machines: pl.DataFrame) -> pl.DataFrame:
    """Return pairs of a machine and a truck beside it in the same bin, with `distance_m`.

    Args:
        points: result of `possible_points`.
        machines: `bin_us, x, y` and further columns; `bin_us` by the trucks' clocks.
    """
    around = in_cells_around(with_cells(machines))
    pairs = points.join(around, on=["bin_us", *CELL], how="inner", suffix="_machine", maintain_order="left")
    distance = ((pl.col("x") - pl.col("x_machine")) ** 2 + (pl.col("y") - pl.col("y_machine")) ** 2).sqrt()
    return pairs.with_columns(distance.alias("distance_m")).filter(pl.col("distance_m") <= REACH_M)
