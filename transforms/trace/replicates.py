"""Replicate draws of a field: loads drawn from its own emptyings, lags and tickets, and traced like weighed ones.

The truth of a draw is known, so its trace shows how good the tracing is on the haulage of this season: with its trucks,
its queues, its breaks and its share of tickets that name a machine or a departure. METHODS.md section 2.
"""

import datetime as dt
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.trace.day_clocks import DayClocks
from transforms.trace.field_trace import trace_field
from transforms.trace.field_work import TracedFieldWork, to_minutes
from transforms.trace.lag_medians import DELAY_MIN
from transforms.trace.mass_streams import MINUTE_US, Stream, Stretch
from transforms.trace.trace_tables import FieldTrace

Array = NDArray[np.float64]

MIN_KNOWN = 2
"""Known departures that weigh as much as the assumed distribution of lags."""
SMOOTHING, LONGEST_DELAY_MIN = 0.7, 70.0
"""Standard deviation of the smoothing of known lags, over their own, and the longest delay that is no wrong ticket."""
YIELD_SD, YIELD_LASTS_T = 0.06, 40.0
"""Standard deviation of the log of yield along a field, and the tonnes over which it is alike (common practice, no
source)."""
LOST = 0.005
"""Share of loads without a ticket (common practice, no source)."""
LAST_LOAD_T = 4.0


@dataclass(frozen=True)
class _Own:
    """Loads of a stretch that were weighed, as a source of draws: one row per load.

    Attributes:
        site, km, delivered_t: of the ticket.
        is_named, is_reported: the ticket names a machine, a departure.
        residual_min: known lags less those expected, shape (k,).
    """

    site: NDArray[np.str_]
    km: Array
    delivered_t: Array
    is_named: NDArray[np.bool_]
    is_reported: NDArray[np.bool_]
    residual_min: Array


def draw_grades(rng: np.random.Generator, work: TracedFieldWork, clocks: dict[dt.date, DayClocks]) -> pl.DataFrame:
    """Return `load_id, site_id, kind_code, claimed_quality, overlap` of the drawn loads of a stretch of work.

    Args:
        rng: the random generator of the stretch.
        work: a field with one stretch of work and its loads.
        clocks: lags and clock offsets of its shift day.
    """
    (stretch,) = work.stretches
    drawn, truth = draw_loads(rng, stretch, work.loads, clocks[stretch.shift_date])
    found = trace_field(TracedFieldWork(work.field_id, [stretch], drawn), clocks)
    return _compared(found, truth).join(drawn.select("load_id", "site_id"), on="load_id")


def _compared(found: FieldTrace, truth: pl.DataFrame) -> pl.DataFrame:
    """Return `load_id, kind_code, claimed_quality, overlap` of drawn loads."""
    keys = ["load_id", "machine_id", "bin_at"]
    both = truth.join(found.load_trace, on=keys, suffix="_found")
    hit = both.group_by("load_id", maintain_order=True).agg(
        pl.min_horizontal("share", "share_found").sum().alias("overlap")
    )
    graded = found.grade.select("load_id", "kind_code", "claimed_quality")
    return graded.join(hit, on="load_id", how="left").with_columns(pl.col("overlap").fill_null(0.0))


def draw_loads(
    rng: np.random.Generator, stretch: Stretch, loads: pl.DataFrame, day: DayClocks
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return drawn tickets of a stretch, and their truth `load_id, machine_id, bin_at, share`.

    Args:
        rng: the random generator of the stretch.
        stretch: the stretch of work.
        loads: its tickets.
        day: lags and clock offsets.
    """
    own = _own_loads(loads, day)
    closure = float(own.delivered_t.sum()) / stretch.lifted_t
    late_min = rng.normal(0, day.shared_sd_min)
    tickets: list[tuple[str, str, float, str | None, float, float, float]] = []
    truth: list[tuple[str, str, NDArray[np.int64], Array]] = []
    for stream in stretch.streams:
        batch_of, left_min, true_t = _true_batches(rng, stream)
        ahead = day.machine_ahead_min.get(stream.machine_id, 0.0)
        for begin, end in _ends(rng, own.delivered_t / closure, float(true_t.sum())):
            share, last = _contents(begin, end, true_t, batch_of)
            j = int(rng.integers(own.km.size))
            full = float(left_min[last]) - ahead
            lag = day.lag_min(str(own.site[j]), float(own.km[j])) + _residual(
                rng, own, day.lag_sd_min(str(own.site[j])), day.delayed
            )
            if rng.random() < LOST:
                continue
            name = f"R{len(tickets)}"
            reported = full + day.leave_min + rng.normal(0, day.leave_spread_min) if own.is_reported[j] else np.nan
            named = stream.machine_id if own.is_named[j] else None
            weighed = full + lag + late_min
            tickets.append(
                (name, str(own.site[j]), float(own.km[j]), named, reported, weighed, (end - begin) * closure)
            )
            kept = np.flatnonzero((share > 0) & (stream.part_bin_us >= 0))
            truth.append((name, stream.machine_id, stream.part_bin_us[kept], share[kept]))
    return _ticket_table(tickets), _truth_table(truth)


def _own_loads(loads: pl.DataFrame, day: DayClocks) -> _Own:
    weighed, left = (to_minutes(loads, c) for c in ("weighed_at", "left_field_at"))
    site, km = loads["site_id"].to_numpy(), loads["km"].to_numpy()
    usual = np.array([day.lag_min(s, k) for s, k in zip(site, km, strict=True)])
    known = weighed - left + day.leave_min - usual
    plausible = np.isfinite(known) & (np.abs(known) < LONGEST_DELAY_MIN)
    named = loads["machine_id"].is_not_null().to_numpy()
    return _Own(site, km, loads["delivered_t"].to_numpy(), named, np.isfinite(left), known[plausible])


def _residual(rng: np.random.Generator, own: _Own, sd_min: float, delayed: float) -> float:
    """Return a lag less the expected one, min: a known one, or one from the assumed distribution.

    Known lags are smoothed without a change of their variance, because two loads of the same lag never change places.
    """
    known = own.residual_min
    if known.size > 1 and rng.random() < known.size / (known.size + MIN_KNOWN):
        mean, sd = float(known.mean()), float(known.std(ddof=1))
        off = (float(rng.choice(known)) - mean) * np.sqrt(known.size / (known.size - 1)) + SMOOTHING * sd * rng.normal()
        return float(mean + off / np.hypot(1.0, SMOOTHING))
    return float(rng.normal(0, sd_min) + (rng.exponential(DELAY_MIN) if rng.random() < delayed else 0.0))


def _true_batches(rng: np.random.Generator, stream: Stream) -> tuple[NDArray[np.int64], Array, Array]:
    """Return the batch of each part, the time at which each batch left, min, and the drawn mass of each part, t.

    Yield varies along the field. If emptyings are not seen, tanks are drawn as well.
    """
    place = np.cumsum(stream.part_t)
    alike = np.exp(-stream.part_t / YIELD_LASTS_T)
    shock, level = rng.normal(0, 1, place.size), np.zeros(place.size)
    level[0] = shock[0]
    for i in range(1, place.size):
        level[i] = alike[i] * level[i - 1] + np.sqrt(1 - alike[i] ** 2) * shock[i]
    true_t = stream.part_t * np.exp(YIELD_SD * level)
    if stream.has_signal:
        return stream.batch_of, stream.left_min, true_t
    fills = np.cumsum(stream.tank_t * rng.uniform(0.6, 1.0, int(true_t.sum() / (0.6 * stream.tank_t)) + 2))
    tank = np.searchsorted(fills, np.cumsum(true_t) - 1e-9)
    used, batch_of = np.unique(tank, return_inverse=True)
    last = np.append(np.flatnonzero(np.diff(batch_of)), batch_of.size - 1)
    return batch_of.astype(np.int64), stream.left_min[stream.batch_of[last]][: used.size], true_t


def _ends(rng: np.random.Generator, sizes_t: Array, total_t: float) -> list[tuple[float, float]]:
    """Return the mass at which each drawn load begins and ends; the last takes the rest."""
    out, at = [], 0.0
    while total_t - at > LAST_LOAD_T:
        end = min(at + float(rng.choice(sizes_t)), total_t)
        out.append((at, end))
        at = end
    return out


def _contents(begin: float, end: float, true_t: Array, batch_of: NDArray[np.int64]) -> tuple[Array, int]:
    """Return the share of each part in a load, and the load's last batch; batches are mixed."""
    batch_t = np.bincount(batch_of, weights=true_t)
    edges = np.cumsum(batch_t)
    taken = np.clip(np.minimum(end, edges) - np.maximum(begin, edges - batch_t), 0, None)
    share = (taken / batch_t)[batch_of] * true_t / (end - begin)
    return share, min(int(np.searchsorted(edges, end - 1e-6)), batch_t.size - 1)


def _to_time(minutes: list[float]) -> pl.Series:
    us = [None if np.isnan(m) else round(m) * MINUTE_US for m in minutes]
    return pl.Series(us, dtype=pl.Int64).cast(pl.Datetime("us")).dt.replace_time_zone("UTC")


def _ticket_table(rows: list[tuple[str, str, float, str | None, float, float, float]]) -> pl.DataFrame:
    """Return drawn tickets with the columns of `TracedFieldWork.loads`; times are whole minutes."""
    names, sites, km, machines, left, weighed, delivered = (
        (list(c) for c in zip(*rows, strict=True)) if rows else [[]] * 7
    )
    return pl.DataFrame(
        {
            "load_id": pl.Series(names, dtype=pl.String),
            "site_id": pl.Series(sites, dtype=pl.String),
            "km": pl.Series(km, dtype=pl.Float64),
            "machine_id": pl.Series(machines, dtype=pl.String),
            "left_field_at": _to_time(left),
            "weighed_at": _to_time(weighed),
            "delivered_t": pl.Series(delivered, dtype=pl.Float64),
        }
    )


def _truth_table(rows: list[tuple[str, str, NDArray[np.int64], Array]]) -> pl.DataFrame:
    """Return `load_id, machine_id, bin_at, share` of (load, machine, bins in UTC microseconds, shares)."""
    row = np.repeat(np.arange(len(rows)), [bins.size for _, _, bins, _ in rows])
    at = np.concatenate([np.zeros(0, dtype=np.int64), *(bins for _, _, bins, _ in rows)])
    return pl.DataFrame(
        {
            "load_id": pl.Series([load for load, _, _, _ in rows], dtype=pl.String).gather(row),
            "machine_id": pl.Series([machine for _, machine, _, _ in rows], dtype=pl.String).gather(row),
            "bin_at": pl.Series(at).cast(pl.Datetime("us")).dt.replace_time_zone("UTC"),
            "share": pl.Series(np.concatenate([np.zeros(0), *(share for _, _, _, share in rows)])),
        }
    )
