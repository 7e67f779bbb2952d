"""Finds tank emptyings by whatever a machine logs: flag, counters, work state, fall of the level, pattern of stops."""

import numpy as np
import polars as pl
from numpy.typing import NDArray

Array = NDArray[np.float64]

WINDOW_S = 10
FALL_T_PER_S_OF_CAPACITY = 1 / 400
"""A level falling faster than the whole tank in 400 s is being emptied (common practice, no source)."""
SMALLEST_T = 1.0
JOIN_S = 45.0
STANDS_KMH = 0.5
STOP_S = (35.0, 260.0)
"""A stop of this length may be an emptying; shorter is a turn, longer a rest (common practice, no source)."""
FEWEST_STOPS = 4
TOO_SOON = 0.45
"""A stop after less than this part of the usual way between stops is no emptying."""
ALIKE, ALIKE_SHARE = 0.35, 0.8
"""Stops are a pattern where four in five ways between them are the usual one, give or take a third."""
EVENT: dict[str, pl.DataType | type[pl.DataType]] = {
    "machine_id": pl.String,
    "started_at": pl.Datetime("us", "UTC"),
    "ended_at": pl.Datetime("us", "UTC"),
    "found_by": pl.String,
    "unloaded_t": pl.Float64,
}


def _stretches(times: pl.DataFrame, found_by: str) -> pl.DataFrame:
    """Join marked instants (`machine_id, logged_at`, and `fall_t` where known) into events."""
    apart = pl.col("logged_at").diff().dt.total_microseconds().truediv(1e6) > JOIN_S
    events = (
        times.with_columns(apart.fill_null(value=True).cum_sum().alias("event"))
        .group_by("machine_id", "event", maintain_order=True)
        .agg(
            pl.col("logged_at").min().alias("started_at"),
            pl.col("logged_at").max().alias("ended_at"),
            pl.col("fall_t").sum(),
        )
    )
    return (
        events.filter(pl.col("fall_t") >= SMALLEST_T)
        .with_columns(pl.lit(found_by).alias("found_by"), pl.lit(None, dtype=pl.Float64).alias("unloaded_t"))
        .select(list(EVENT))
    )


def _marked(records: pl.DataFrame, mark: pl.Expr, found_by: str) -> pl.DataFrame:
    marked = records.filter(mark).select("machine_id", "logged_at", pl.lit(SMALLEST_T).alias("fall_t"))
    return _stretches(marked, found_by)


def _by_counter(records: pl.DataFrame) -> pl.DataFrame:
    """The unload number of ISO 11783-11 goes up by one an emptying; `unloaded_t` is what it then says it unloaded."""
    said = pl.col("unloaded_t") if "unloaded_t" in records.columns else pl.lit(None, dtype=pl.Float64)
    counted = records.filter(pl.col("unload_number").is_not_null()).sort("logged_at")
    return (
        counted.filter(pl.col("unload_number") > pl.col("unload_number").shift(1))
        .with_columns(
            pl.col("logged_at").alias("started_at"),
            pl.col("logged_at").alias("ended_at"),
            pl.lit("counter").alias("found_by"),
            said.cast(pl.Float64).alias("unloaded_t"),
        )
        .select(list(EVENT))
    )


def _by_level(records: pl.DataFrame, tank_capacity_t: float) -> pl.DataFrame:
    level = (
        records.filter(pl.col("tank_t").is_not_null())
        .group_by("machine_id", pl.col("logged_at").dt.truncate(f"{WINDOW_S}s"), maintain_order=True)
        .agg(pl.col("tank_t").mean())
        .with_columns((pl.col("tank_t") - pl.col("tank_t").shift(-1)).alias("fall_t"))
    )
    falling = level.filter(pl.col("fall_t") > tank_capacity_t * FALL_T_PER_S_OF_CAPACITY * WINDOW_S)
    return _stretches(falling.select("machine_id", "logged_at", "fall_t"), "level")


def _stops(records: pl.DataFrame) -> pl.DataFrame:
    """Stretches of standing, with the way lifted up to each: `machine_id, started_at, ended_at, lifted_m`."""
    metres = pl.when("working").then(pl.col("ground_speed_kmh").fill_null(0.0) / 3.6 * pl.col("dt_s")).otherwise(0.0)
    stands = (pl.col("ground_speed_kmh").fill_null(0.0) < STANDS_KMH) & ~pl.col("working")
    return (
        records.sort("logged_at")
        .with_columns(metres.cum_sum().alias("lifted_m"), stands.alias("stands"))
        .with_columns((pl.col("stands") != pl.col("stands").shift(1)).fill_null(value=True).cum_sum().alias("event"))
        .filter("stands")
        .group_by("machine_id", "event", maintain_order=True)
        .agg(
            pl.col("logged_at").min().alias("started_at"),
            pl.col("logged_at").max().alias("ended_at"),
            pl.col("dt_s").sum().alias("stood_s"),
            pl.col("lifted_m").last(),
        )
        .filter(pl.col("stood_s").is_between(*STOP_S))
    )


def _without_the_soon(lifted_m: Array, stood_s: Array) -> tuple[NDArray[np.int64], float]:
    """Stops left when of two too close together the shorter is dropped, again and again; and the usual way between."""
    kept = np.arange(lifted_m.size)
    while kept.size >= FEWEST_STOPS:
        ways = np.diff(lifted_m[kept])
        usual = float(np.median(ways[ways > 0])) if (ways > 0).any() else 0.0
        soon = int(np.argmin(ways))
        if ways[soon] >= TOO_SOON * usual:
            return kept, usual
        kept = np.delete(kept, soon if stood_s[kept[soon]] < stood_s[kept[soon + 1]] else soon + 1)
    return kept, 0.0


def _by_stops(records: pl.DataFrame) -> pl.DataFrame:
    """Stops in a pattern: about the same way is lifted from one to the next, as a tank holds about the same."""
    nothing = pl.DataFrame(schema=EVENT)
    if not {"working", "dt_s", "ground_speed_kmh"} <= set(records.columns):
        return nothing
    stops = _stops(records)
    if stops.height < FEWEST_STOPS:
        return nothing
    lifted = stops["lifted_m"].to_numpy()
    kept, usual = _without_the_soon(lifted, stops["stood_s"].to_numpy())
    if kept.size < FEWEST_STOPS or not usual:
        return nothing
    if np.mean(np.abs(np.diff(lifted[kept]) / usual - 1) < ALIKE) < ALIKE_SHARE:
        return nothing
    chosen: pl.DataFrame = stops[kept.tolist()]
    return chosen.with_columns(
        pl.lit("stops").alias("found_by"), pl.lit(None, dtype=pl.Float64).alias("unloaded_t")
    ).select(list(EVENT))


def find_unloads(records: pl.DataFrame, tank_capacity_t: float) -> pl.DataFrame:
    """Return the emptyings of one machine-day: `machine_id, started_at, ended_at, found_by, unloaded_t`.

    The first sign of these a machine logs is taken: the unloading flag, the unload counter, the work state
    "unloading", the level of the tank, stops in a pattern. A machine with none gives none: its loads follow the
    field's mass curve.
    """
    known = {c for c in ("unloading", "unload_number", "tank_t") if c in records.columns and records[c].count()}
    if "unloading" in known:
        return _marked(records, pl.col("unloading") > 0.5, "flag")
    if "unload_number" in known:
        return _by_counter(records)
    if "state" in records.columns and (records["state"] == "unloading").any():
        return _marked(records, pl.col("state") == "unloading", "state")
    if "tank_t" in known:
        return _by_level(records, tank_capacity_t)
    return _by_stops(records)
