"""Traces every load back to the 30 s bins that filled it, with what could not be traced as a row of its own."""

import datetime as dt
import math
from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.trace.align import left_when, overlaps
from transforms.trace.assign import split_loads
from transforms.trace.clocks import LagModel, fit_lags, machine_clocks
from transforms.trace.streams import Stream, build_streams, shift_date

CLOSES = 1.15
"""Weighed over lifted mass, against the field's usual: within this factor a stream is taken to be complete."""
FIRST_LAG_MIN = 35.0
ROAD_FACTOR = 1.3
KM_PER_DEG = 111.32


@dataclass(frozen=True)
class Trace:
    """What tracing found.

    Attributes:
        load_trace: `load_id, machine_id, bin_at, share`; machine and bin null on the untraced remainder.
        grade: `load_id, trace_quality, traced_share, says`.
        clock_offset: `machine_id, offset_min, lo95, hi95, n, corrected`.
        mass_balance: `machine_id, field_id, shift_date, weighed_t, lifted_t, closure`.
        lags: the lag model.
    """

    load_trace: pl.DataFrame
    grade: pl.DataFrame
    clock_offset: pl.DataFrame
    mass_balance: pl.DataFrame
    lags: LagModel


@dataclass
class _Taken:
    """What loads took of batches, gathered stream by stream."""

    rows: list[tuple[str, int, int, float]] = field(default_factory=list)  # load, stream, batch, t
    intended: dict[str, float] = field(default_factory=dict)
    quality: dict[str, float] = field(default_factory=dict)
    says: dict[str, str] = field(default_factory=dict)

    def grade(self, loads: list[str], quality: float, says: str) -> None:
        for load in loads:
            self.quality[load], self.says[load] = quality, says


Key = tuple[str, dt.date]


def road_km(lat: float, lon: float, site: tuple[float, float] | None) -> float:
    """Return the road distance to a site, km (common practice: 1.3 times the straight line)."""
    if site is None:
        return 20.0
    east = (lon - site[1]) * KM_PER_DEG * math.cos(math.radians(lat))
    return ROAD_FACTOR * math.hypot(east, (lat - site[0]) * KM_PER_DEG)


def _with_distance(loads: pl.DataFrame, fields: pl.DataFrame, sites: dict[str, tuple[float, float]]) -> pl.DataFrame:
    placed = loads.join(fields.select("field_id", "lat_deg", "lon_deg"), on="field_id", how="left")
    km = [
        road_km(lat, lon, sites.get(site)) if lat is not None else 20.0
        for lat, lon, site in placed.select("lat_deg", "lon_deg", "site_id").iter_rows()
    ]
    return placed.drop("lat_deg", "lon_deg").with_columns(pl.Series("km", km, dtype=pl.Float64))


def _departures(loads: pl.DataFrame, lags: LagModel | None, zone: str, starts: dt.time) -> pl.DataFrame:
    """Add `left_us`, when a load is thought to have left its field, and its shift day."""
    lag = [lags.lag_min(s, k) if lags else FIRST_LAG_MIN for s, k in loads.select("site_id", "km").iter_rows()]
    loads = loads.with_columns(pl.Series("lag_s", [round(60 * m) for m in lag], dtype=pl.Int64))
    thought = pl.col("weighed_at") - pl.duration(seconds=pl.col("lag_s"))
    left = pl.coalesce("left_field_at", thought)
    return loads.with_columns(
        left.dt.timestamp("us").alias("left_us"), shift_date(left, zone, starts).alias("shift_date")
    ).sort("left_us", "weighed_at", "load_id")


def _lag_samples(by_day: dict[Key, list[Stream]], loads: dict[Key, pl.DataFrame]) -> pl.DataFrame:
    """Lags of loads on days when one machine alone lifted in a field: there the order of masses gives the batch."""
    frames = []
    for key, streams in by_day.items():
        mine = loads.get(key)
        if mine is None or len(streams) != 1 or not streams[0].has_signal or mine.height < 3:
            continue
        stream = streams[0]
        weighed = mine["gross_t"].cum_sum().to_numpy()
        full = left_when(stream.batch_t, stream.left_at, weighed * stream.lifted_t / weighed[-1])
        lag = (mine["weighed_at"].dt.timestamp("us").to_numpy() - full) / 60e6
        frames.append(
            mine.select("site_id", "km").with_columns(
                pl.Series("lag_min", lag), pl.lit(stream.machine_id).alias("machine_id")
            )
        )
    schema = {"site_id": pl.String, "km": pl.Float64, "lag_min": pl.Float64, "machine_id": pl.String}
    return pl.concat([pl.DataFrame(schema=schema), *frames])


def _edges(
    stream: Stream, loads: pl.DataFrame, usual: float, lags: LagModel, ahead_us: int
) -> tuple[NDArray[np.float64], float]:
    """Where each load begins and ends on the stream's cumulative mass, and the closure against the usual."""
    weighed = np.concatenate([[0.0], loads["gross_t"].cum_sum().to_numpy()])
    closure = weighed[-1] / stream.lifted_t / usual
    if 1 / CLOSES <= closure <= CLOSES:
        return weighed * (stream.lifted_t / weighed[-1]), closure
    # Mass is missing on one side: at the start or at the end, whichever makes the lags more usual.
    edges = weighed / usual
    spare = stream.lifted_t - edges[-1]
    expected = np.array([lags.lag_min(s, k) for s, k in loads.select("site_id", "km").iter_rows()])
    at = loads["weighed_at"].dt.timestamp("us").to_numpy()
    best, misfit = 0.0, np.inf
    for start in (0.0, spare, spare / 2):
        full = left_when(stream.batch_t, stream.left_at, np.clip(edges[1:] + start, 0, None)) - ahead_us
        off = float(np.median(np.abs((at - full) / 60e6 - expected)))
        if off < misfit:
            best, misfit = start, off
    return edges + best, closure


def _trace_stream(
    taken: _Taken,
    number: int,
    stream: Stream,
    loads: pl.DataFrame,
    usual: float,
    lags: LagModel,
    ahead_us: int,
    *,
    alone: bool,
) -> None:
    edges, closure = _edges(stream, loads, usual, lags, ahead_us)
    names = loads["load_id"].to_list()
    for load, batch, mass in zip(*overlaps(stream.batch_t, edges), strict=True):
        taken.rows.append((names[load], number, int(batch), float(mass)))
    for name, mass in zip(names, np.diff(edges), strict=True):
        taken.intended[name] = float(mass)
    quality = math.exp(-3 * abs(math.log(closure))) * (1.0 if stream.has_signal else 0.85)
    reasons = (
        [] if 1 / CLOSES <= closure <= CLOSES else [f"weighed and lifted mass differ {100 * (closure - 1):+.0f} %"]
    )
    if not stream.has_signal:
        reasons.append("the machine logs no tank: its mass curve was followed")
    for name, ticket in zip(names, loads["machine_id"].to_list(), strict=True):
        sure = 1.0 if alone or ticket is not None else 0.75
        why = reasons if sure == 1.0 else [*reasons, "several machines in the field and none on the ticket"]
        taken.grade([name], quality * sure, "; ".join(why) or "traced by its emptied tanks")


def _trace_heap(taken: _Taken, numbered: list[tuple[int, Stream]], loads: pl.DataFrame) -> None:
    """A heap at the field's edge: every load is an even part of all that lay there."""
    names, gross = loads["load_id"].to_list(), loads["gross_t"].to_numpy()
    for name, part in zip(names, gross / gross.sum(), strict=True):
        taken.intended[name] = sum(s.lifted_t for _, s in numbered) * float(part)
        for number, stream in numbered:
            taken.rows += [(name, number, k, float(t * part)) for k, t in enumerate(stream.batch_t)]
    taken.grade(names, 0.25, "loaded days later from a heap: spread over all that lay there")


def _usual_closure(by_day: dict[Key, list[Stream]], loads: dict[Key, pl.DataFrame]) -> dict[str, float]:
    """Weighed over lifted mass of each field, the median of its days; the fleet's median where a field has none."""
    ratios: dict[str, list[float]] = {}
    for (field_id, day), streams in by_day.items():
        mine = loads.get((field_id, day))
        if mine is not None:
            ratios.setdefault(field_id, []).append(float(mine["gross_t"].sum()) / sum(s.lifted_t for s in streams))
    fleet = float(np.median([r for rs in ratios.values() for r in rs])) if ratios else 1.0
    out = {f: float(np.median(rs)) for f, rs in ratios.items() if len(rs) >= 3}
    return {"": fleet, **out}


def _assemble(taken: _Taken, streams: list[Stream], loads: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Turn masses taken of batches into shares of bins and one remainder row a load."""
    parts = pl.concat([
        s.parts.with_columns(pl.lit(i).cast(pl.Int64).alias("stream"), pl.lit(s.machine_id).alias("machine_id"),
                             (pl.col("lifted_t") / pl.col("lifted_t").sum().over("batch")).alias("of_batch"))
        for i, s in enumerate(streams)
    ]) if streams else None  # fmt: skip
    rows = pl.DataFrame(
        taken.rows,
        schema={"load_id": pl.String, "stream": pl.Int64, "batch": pl.Int64, "taken_t": pl.Float64},
        orient="row",
    )
    intended = pl.DataFrame({"load_id": list(taken.intended), "intended_t": list(taken.intended.values())},
                            schema={"load_id": pl.String, "intended_t": pl.Float64})  # fmt: skip
    empty = pl.DataFrame(
        schema={"load_id": pl.String, "machine_id": pl.String, "bin_at": pl.Datetime("us", "UTC"), "share": pl.Float64}
    )
    known = empty
    if parts is not None and rows.height:
        known = (
            rows.join(parts, on=["stream", "batch"], maintain_order="left_right")
            .filter(pl.col("bin_at").is_not_null())
            .join(intended, on="load_id", maintain_order="left")
            .with_columns((pl.col("taken_t") * pl.col("of_batch") / pl.col("intended_t")).alias("share"))
            .group_by("load_id", "machine_id", "bin_at", maintain_order=True)
            .agg(pl.col("share").sum())
            .filter(pl.col("share") > 1e-9)
        )
    total = known.group_by("load_id", maintain_order=True).agg(pl.col("share").sum().alias("traced"))
    every = (
        loads.select("load_id")
        .join(total, on="load_id", how="left")
        .with_columns(pl.col("traced").fill_null(0.0).clip(0, 1))
    )
    rest = every.filter(pl.col("traced") < 1 - 1e-9).select(
        "load_id",
        pl.lit(None, dtype=pl.String).alias("machine_id"),
        pl.lit(None, dtype=pl.Datetime("us", "UTC")).alias("bin_at"),
        (1 - pl.col("traced")).alias("share"),
    )
    grade = every.with_columns(
        pl.col("load_id").replace_strict(taken.quality, default=0.0, return_dtype=pl.Float64).alias("trace_quality"),
        pl.col("load_id")
        .replace_strict(taken.says, default="no telemetry in this field on that day", return_dtype=pl.String)
        .alias("says"),
    ).select(
        "load_id",
        (pl.col("trace_quality") * pl.col("traced")).alias("trace_quality"),
        pl.col("traced").alias("traced_share"),
        "says",
    )
    return pl.concat([known, rest]).sort("load_id", "machine_id", "bin_at"), grade


def trace_loads(
    bins: pl.DataFrame,
    unloads: pl.DataFrame,
    fields: pl.DataFrame,
    loads: pl.DataFrame,
    sites: dict[str, tuple[float, float]],
    zone: str,
    starts: dt.time,
) -> Trace:
    """Trace all loads.

    Args:
        bins: all 30 s bins with `machine_id, bin_at, state, area_ha, field_id`.
        unloads: all emptyings.
        fields: the field list.
        loads: the weigh tickets.
        sites: site -> (lat, lon).
        zone: the season's time zone.
        starts: local time a shift starts.

    Returns:
        Shares of each load sum to 1, the untraced remainder included.
    """
    streams = build_streams(bins, unloads, fields, zone, starts) if bins.height else []
    by_day: dict[Key, list[Stream]] = {}
    for stream in streams:
        by_day.setdefault((stream.field_id, stream.shift_date), []).append(stream)
    placed = _with_distance(loads, fields, sites)
    samples = _lag_samples(by_day, _by_field_and_day(_departures(placed, None, zone, starts)))
    lags, clocks = _learn(samples)
    by_load_day = _by_field_and_day(_departures(placed, lags, zone, starts))
    taken = _Taken()
    balance = _trace_days(taken, streams, by_day, by_load_day, lags, _ahead_us(clocks))
    load_trace, grade = _assemble(taken, streams, loads)
    return Trace(load_trace, grade, clocks, _closures(balance), lags)


def _by_field_and_day(dated: pl.DataFrame) -> dict[Key, pl.DataFrame]:
    return {(str(f), d): part for (f, d), part in dated.group_by("field_id", "shift_date", maintain_order=True)}


def _ahead_us(clocks: pl.DataFrame) -> dict[str, int]:
    rows = clocks.filter("corrected").select("machine_id", "offset_min").iter_rows()
    return {machine: round(offset * 60e6) for machine, offset in rows}


def _learn(samples: pl.DataFrame) -> tuple[LagModel, pl.DataFrame]:
    """Learn lags and clocks in two turns: a clock that is off must not bend the lag it is measured against."""
    lags = fit_lags(samples)
    clocks = machine_clocks(samples, lags)
    for _ in range(2):
        ahead = {m: us / 60e6 for m, us in _ahead_us(clocks).items()}
        off = pl.col("machine_id").replace_strict(ahead, default=0.0, return_dtype=pl.Float64)
        lags = fit_lags(samples.with_columns(pl.col("lag_min") + off))
        clocks = machine_clocks(samples, lags)
    return lags, clocks


Balance = list[tuple[str | None, str, dt.date, float, float]]


def _trace_days(
    taken: _Taken,
    streams: list[Stream],
    by_day: dict[Key, list[Stream]],
    by_load_day: dict[Key, pl.DataFrame],
    lags: LagModel,
    ahead: dict[str, int],
) -> Balance:
    """Trace the loads of every field and day; return mass weighed and lifted, a row a stream."""
    number = {id(s): i for i, s in enumerate(streams)}
    usual = _usual_closure(by_day, by_load_day)
    balance: Balance = []
    for key, mine in by_load_day.items():
        here = by_day.get(key)
        if here is None:
            heap = [
                (number[id(s)], s)
                for k, group in by_day.items()
                if k[0] == key[0] and k[1] < key[1] and k not in by_load_day
                for s in group
            ]
            if heap:
                _trace_heap(taken, heap, mine)
            balance.append((None, *key, float(mine["gross_t"].sum()), 0.0))
            continue
        gross, left = mine["gross_t"].to_numpy(), mine["left_us"].to_numpy()
        given = split_loads(here, left, gross, mine["machine_id"].to_list(), ahead, lags.spread_min)
        for i, stream in enumerate(here):
            part = mine.filter(pl.Series(given == i))
            balance.append((stream.machine_id, *key, float(part["gross_t"].sum()), stream.lifted_t))
            if part.height:
                _trace_stream(
                    taken,
                    number[id(stream)],
                    stream,
                    part,
                    usual.get(key[0], usual[""]),
                    lags,
                    ahead.get(stream.machine_id, 0),
                    alone=len(here) == 1,
                )
        strangers = mine.filter(pl.Series(given == -1))["load_id"].to_list()
        taken.grade(strangers, 0.0, "the ticket names a machine without telemetry in this field on that day")
    return balance


def _closures(balance: Balance) -> pl.DataFrame:
    names = ["machine_id", "field_id", "shift_date", "weighed_t", "lifted_t"]
    table = pl.DataFrame(balance, schema=names, orient="row", infer_schema_length=None)
    lifted = pl.when(pl.col("lifted_t") > 0).then(pl.col("lifted_t"))
    return table.with_columns((pl.col("weighed_t") / lifted).alias("closure"))
