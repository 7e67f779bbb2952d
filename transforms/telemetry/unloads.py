"""Detection of tank unloading by what a machine logs: flag, counter, state, reported mass, tank level or stops."""

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.contracts.result_tables import schema_of

Array = NDArray[np.float64]

WINDOW_S = 10
FALL_T_PER_S_OF_CAPACITY = 1 / 400
"""A level that falls faster than a full tank in 400 s means unloading (common practice, no source)."""
MIN_UNLOAD_T = 1.0
JOIN_S = 45.0
MAX_STOP_KMH = 0.5
STOP_S = (35.0, 260.0)
"""Duration of a stop that may be unloading; shorter is a turn, longer a break (common practice, no source)."""
MIN_STOPS = 4
MIN_DISTANCE_RATIO = 0.45
"""A stop after less than this fraction of the usual distance between stops is not unloading."""
MAX_DEVIATION, MIN_ALIKE_SHARE = 0.35, 0.8
"""Relative deviation from the usual distance between stops, and the share of distances that must be within it."""
EVENT = schema_of("unload_event", without=("machine", "day"))


def _join_events(times: pl.DataFrame, found_by: str) -> pl.DataFrame:
    """Join marked instants (`machine_id, logged_at, fall_t`) into events."""
    is_new_event = pl.col("logged_at").diff().dt.total_microseconds().truediv(1e6) > JOIN_S
    events = (
        times.with_columns(is_new_event.fill_null(value=True).cum_sum().alias("event"))
        .group_by("machine_id", "event", maintain_order=True)
        .agg(
            pl.col("logged_at").min().alias("started_at"),
            pl.col("logged_at").max().alias("ended_at"),
            pl.col("fall_t").sum(),
        )
    )
    return (
        events.filter(pl.col("fall_t") >= MIN_UNLOAD_T)
        .with_columns(pl.lit(found_by).alias("found_by"), pl.lit(None, dtype=pl.Float64).alias("unloaded_t"))
        .select(list(EVENT))
    )


def _marked(records: pl.DataFrame, mark: pl.Expr, found_by: str) -> pl.DataFrame:
    marked = records.select("machine_id", "logged_at", mark.alias("is_marked")).filter("is_marked")
    return _join_events(marked.with_columns(pl.lit(MIN_UNLOAD_T).alias("fall_t")), found_by)


def _by_counter(records: pl.DataFrame) -> pl.DataFrame:
    """Return events from the ISO 11783-11 unload number, which increases by one per unload, with the logged mass."""
    logged_t = pl.col("unloaded_t") if "unloaded_t" in records.columns else pl.lit(None, dtype=pl.Float64)
    counted = records.filter(pl.col("unload_number").is_not_null()).sort("logged_at")
    return (
        counted.filter(pl.col("unload_number") > pl.col("unload_number").shift(1))
        .with_columns(
            pl.col("logged_at").alias("started_at"),
            pl.col("logged_at").alias("ended_at"),
            pl.lit("counter").alias("found_by"),
            logged_t.cast(pl.Float64).alias("unloaded_t"),
        )
        .select(list(EVENT))
    )


def _by_level(records: pl.DataFrame, tank_capacity_t: float) -> pl.DataFrame:
    level = (
        records.select("machine_id", "logged_at", "tank_t")
        .filter(pl.col("tank_t").is_not_null())
        .group_by("machine_id", pl.col("logged_at").dt.truncate(f"{WINDOW_S}s"), maintain_order=True)
        .agg(pl.col("tank_t").mean())
        .with_columns((pl.col("tank_t") - pl.col("tank_t").shift(-1)).alias("fall_t"))
    )
    falling = level.filter(pl.col("fall_t") > tank_capacity_t * FALL_T_PER_S_OF_CAPACITY * WINDOW_S)
    return _join_events(falling.select("machine_id", "logged_at", "fall_t"), "level")


def _stops(records: pl.DataFrame) -> pl.DataFrame:
    """Return the stops and the distance lifted before each: `machine_id, started_at, ended_at, stopped_s, lifted_m`."""
    metres = pl.when("working").then(pl.col("ground_speed_kmh").fill_null(0.0) / 3.6 * pl.col("dt_s")).otherwise(0.0)
    is_stopped = (pl.col("ground_speed_kmh").fill_null(0.0) < MAX_STOP_KMH) & ~pl.col("working")
    return (
        records.sort("logged_at")
        .with_columns(metres.cum_sum().alias("lifted_m"), is_stopped.alias("is_stopped"))
        .with_columns(
            (pl.col("is_stopped") != pl.col("is_stopped").shift(1)).fill_null(value=True).cum_sum().alias("event")
        )
        .filter("is_stopped")
        .group_by("machine_id", "event", maintain_order=True)
        .agg(
            pl.col("logged_at").min().alias("started_at"),
            pl.col("logged_at").max().alias("ended_at"),
            pl.col("dt_s").sum().alias("stopped_s"),
            pl.col("lifted_m").last(),
        )
        .filter(pl.col("stopped_s").is_between(*STOP_S))
    )


def _regular_stops(lifted_m: Array, stopped_s: Array) -> tuple[NDArray[np.int64], float]:
    """Drop the shorter of the two closest stops until none are too close; return the stops kept and their distance."""
    kept = np.arange(lifted_m.size)
    while kept.size >= MIN_STOPS:
        distances = np.diff(lifted_m[kept])
        usual = float(np.median(distances[distances > 0])) if (distances > 0).any() else 0.0
        closest = int(np.argmin(distances))
        if distances[closest] >= MIN_DISTANCE_RATIO * usual:
            return kept, usual
        kept = np.delete(kept, closest if stopped_s[kept[closest]] < stopped_s[kept[closest + 1]] else closest + 1)
    return kept, 0.0


def _by_stops(records: pl.DataFrame) -> pl.DataFrame:
    """Return events from stops at regular lifted distances, because a tank fills at about the same distance."""
    no_events = pl.DataFrame(schema=EVENT)
    if not {"working", "dt_s", "ground_speed_kmh"} <= set(records.columns):
        return no_events
    stops = _stops(records)
    if stops.height < MIN_STOPS:
        return no_events
    lifted = stops["lifted_m"].to_numpy()
    kept, usual = _regular_stops(lifted, stops["stopped_s"].to_numpy())
    if kept.size < MIN_STOPS or not usual:
        return no_events
    if np.mean(np.abs(np.diff(lifted[kept]) / usual - 1) < MAX_DEVIATION) < MIN_ALIKE_SHARE:
        return no_events
    chosen: pl.DataFrame = stops[kept.tolist()]
    return chosen.with_columns(
        pl.lit("stops").alias("found_by"), pl.lit(None, dtype=pl.Float64).alias("unloaded_t")
    ).select(list(EVENT))


def _reports(records: pl.DataFrame) -> pl.DataFrame:
    """Return the masses that the machine reports: `logged_at, unloaded_t, is_new`, new if they differ from the last."""
    reported = records.select("logged_at", "unloaded_t").filter(pl.col("unloaded_t") > 0).sort("logged_at")
    return reported.with_columns((pl.col("unloaded_t") != pl.col("unloaded_t").shift(1)).alias("is_new"))


def _by_mass(records: pl.DataFrame) -> pl.DataFrame:
    """Return events from the mass of the last unload, which changes with each."""
    reports = _reports(records)
    # Nothing is known of the first: it may be that of the day before.
    return (
        reports.filter(pl.col("is_new").fill_null(value=False))
        .select(
            pl.lit(records["machine_id"][0]).alias("machine_id"),
            pl.col("logged_at").alias("started_at"),
            pl.col("logged_at").alias("ended_at"),
            pl.lit("mass").alias("found_by"),
            "unloaded_t",
        )
        .select(list(EVENT))
    )


def _with_reported_mass(events: pl.DataFrame, records: pl.DataFrame) -> pl.DataFrame:
    """Return events with the mass that the machine reports for each: the last new one before the next event starts.

    A value that is the same as before the event may not have been renewed, so it does not count.
    """
    if "unloaded_t" not in records.columns or not events.height:
        return events
    reports = _reports(records).filter(pl.col("is_new").fill_null(value=True))
    event = pl.Series(events["started_at"].search_sorted(reports["logged_at"], side="right")).cast(pl.Int64) - 1
    latest = (
        reports.with_columns(event.alias("event"))
        .filter(pl.col("event") >= 0)
        .group_by("event", maintain_order=True)
        .agg(pl.col("unloaded_t").last().alias("reported_t"))
    )
    numbered = events.with_columns(pl.int_range(pl.len(), dtype=pl.Int64).alias("event"))
    return (
        numbered.join(latest, on="event", how="left", maintain_order="left")
        .with_columns(pl.coalesce("unloaded_t", "reported_t").alias("unloaded_t"))
        .select(list(EVENT))
    )


def find_unloads(records: pl.DataFrame, tank_capacity_t: float) -> pl.DataFrame:
    """Return the unloading events of one machine-day: `machine_id, started_at, ended_at, found_by, unloaded_t`.

    The first available signal is used: the unloading flag, the unload counter, the work state "unloading", the mass of
    the last unload, the tank level, regular stops. A machine without any signal has no events: its loads follow the
    field's mass curve. Whatever the signal, `unloaded_t` is the mass that the machine reports for the unload, t.

    Args:
        records: one machine-day with `state`, `working` and `dt_s`.
        tank_capacity_t: capacity of the tank, t.
    """
    return _with_reported_mass(_events(records, tank_capacity_t), records)


def _events(records: pl.DataFrame, tank_capacity_t: float) -> pl.DataFrame:
    """Return the events found by the first available signal."""
    signals = ("unloading", "unload_number", "unloaded_t", "tank_t")
    known = {c for c in signals if c in records.columns and records[c].count()}
    if "unloading" in known:
        return _marked(records, pl.col("unloading") > 0.5, "flag")
    if "unload_number" in known:
        return _by_counter(records)
    if "state" in records.columns and (records["state"] == "unloading").any():
        return _marked(records, pl.col("state") == "unloading", "state")
    if "unloaded_t" in known and (by_mass := _by_mass(records)).height:
        return by_mass
    if "tank_t" in known:
        return _by_level(records, tank_capacity_t)
    return _by_stops(records)
