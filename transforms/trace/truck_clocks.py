"""Clocks of machines against those of trucks: at the right shift, a truck is beside a machine that empties its tank.

Trackers take their time from satellites; a machine's logger may be minutes off. Each whole minute is tried, and one
other than zero counts only if clearly more emptyings then have a truck beside them.
"""

import polars as pl

from transforms.trace.truck_points import BIN_US, within_reach

MAX_SHIFT_MIN = 30
MIN_EMPTYINGS = 8
MIN_GAIN, MIN_RATIO = 0.2, 1.3
"""A shift must have a truck beside this share of emptyings more than none has, and by this ratio (no source)."""
AS_GOOD = 0.05
SHIFT_SCHEMA = {"machine_id": pl.String, "ahead_us": pl.Int64}


def clock_shifts(points: pl.DataFrame, emptied: pl.DataFrame) -> pl.DataFrame:
    """Return the machines whose clock is ahead of (or behind, negative) the trucks': `machine_id, ahead_us`.

    Args:
        points: places of trucks by bin, from `truck_points.possible_points`.
        emptied: places of machines during emptyings: `machine_id, emptying, bin_us, x, y`, by the machine's clock.
    """
    counts = emptied.group_by("machine_id", maintain_order=True).agg(pl.col("emptying").n_unique().alias("n"))
    counts = counts.filter(pl.col("n") >= MIN_EMPTYINGS)
    minutes = pl.DataFrame({"ahead_us": [60_000_000 * m for m in range(-MAX_SHIFT_MIN, MAX_SHIFT_MIN + 1)]})
    tried = emptied.join(counts, on="machine_id", how="semi").join(minutes, how="cross")
    tried = tried.with_columns((pl.col("bin_us") - pl.col("ahead_us")) // BIN_US * BIN_US)
    beside = within_reach(points, tried).select("machine_id", "ahead_us", "emptying").unique()
    share = (
        beside.group_by("machine_id", "ahead_us", maintain_order=True)
        .agg(pl.len().alias("beside"))
        .join(counts, on="machine_id")
        .with_columns((pl.col("beside") / pl.col("n")).alias("share"))
    )
    best = share.group_by("machine_id", maintain_order=True).agg(
        pl.col("share").max().alias("best"), pl.col("share").filter(pl.col("ahead_us") == 0).max().alias("zero")
    )
    # A truck waits, so that several shifts are as good: the middle one is far from the ends of its stay.
    good = share.join(best, on="machine_id").filter(pl.col("share") >= pl.col("best") - AS_GOOD)
    chosen = good.group_by("machine_id", maintain_order=True).agg(
        pl.col("ahead_us").median().cast(pl.Int64) // 60_000_000 * 60_000_000, pl.col("best", "zero").first()
    )
    zero = pl.col("zero").fill_null(0.0)
    is_clear = (pl.col("best") >= zero + MIN_GAIN) & (pl.col("best") >= MIN_RATIO * zero)
    return chosen.filter(is_clear).select(list(SHIFT_SCHEMA)).sort("machine_id")
