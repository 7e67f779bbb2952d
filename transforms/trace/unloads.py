"""Finds tank emptyings: by the unloading flag, else by the fall of the tank level."""

import polars as pl

WINDOW_S = 10
FALL_T_PER_S_OF_CAPACITY = 1 / 400
"""A level falling faster than the whole tank in 400 s is being emptied (common practice, no source)."""
SMALLEST_T = 1.0
JOIN_S = 45.0
EVENT: dict[str, pl.DataType | type[pl.DataType]] = {
    "machine_id": pl.String,
    "started_at": pl.Datetime("us", "UTC"),
    "ended_at": pl.Datetime("us", "UTC"),
    "found_by": pl.String,
}


def _stretches(times: pl.DataFrame, found_by: str) -> pl.DataFrame:
    """Join marked instants (`machine_id, logged_at`, and `fall_t` where known) into events."""
    apart = pl.col("logged_at").diff().dt.total_microseconds().truediv(1e6) > JOIN_S
    events = (
        times.with_columns(apart.fill_null(value=True).cum_sum().alias("event"))
        .group_by("machine_id", "event", maintain_order=True)
        .agg(pl.col("logged_at").min().alias("started_at"), pl.col("logged_at").max().alias("ended_at"),
             pl.col("fall_t").sum())
    )  # fmt: skip
    return (
        events.filter(pl.col("fall_t") >= SMALLEST_T)
        .with_columns(pl.lit(found_by).alias("found_by"))
        .select(list(EVENT))
    )


def find_unloads(records: pl.DataFrame, tank_capacity_t: float) -> pl.DataFrame:
    """Return the emptyings of one machine-day: `machine_id, started_at, ended_at, found_by`.

    A machine with neither flag nor level gives none: its loads follow the field's mass curve.
    """
    if records["unloading"].count():
        marked = records.filter(pl.col("unloading") > 0.5).select(
            "machine_id", "logged_at", pl.lit(SMALLEST_T).alias("fall_t")
        )
        return _stretches(marked, "flag")
    if not records["tank_t"].count():
        return pl.DataFrame(schema=EVENT)
    level = (
        records.filter(pl.col("tank_t").is_not_null())
        .group_by("machine_id", pl.col("logged_at").dt.truncate(f"{WINDOW_S}s"), maintain_order=True)
        .agg(pl.col("tank_t").mean())
        .with_columns((pl.col("tank_t") - pl.col("tank_t").shift(-1)).alias("fall_t"))
    )
    falling = level.filter(pl.col("fall_t") > tank_capacity_t * FALL_T_PER_S_OF_CAPACITY * WINDOW_S)
    return _stretches(falling.select("machine_id", "logged_at", "fall_t"), "level")
