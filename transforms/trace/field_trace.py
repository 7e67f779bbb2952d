"""Traces the loads of one field back to the 30 s bins that filled them; what cannot be traced is a row of its own.

A field is the unit of tracing: what is said of its loads depends on its own bins, emptyings and tickets and on the
clocks and lags taken for its days, and on nothing else.
"""

import datetime as dt
from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.trace.association import associate_loads
from transforms.trace.calibration import calibrated
from transforms.trace.field_work import (
    FIRST_LAG_MIN,
    PLAUSIBLE,
    TracedFieldWork,
    in_order,
    minutes,
    nearest_stretch,
    straight_from_the_machine,
)
from transforms.trace.lag_model import DayClocks
from transforms.trace.load_ends_hmm import Departures
from transforms.trace.mass_streams import Stretch
from transforms.trace.shares import LoadShares, load_shares

Array = NDArray[np.float64]

CLOSES = 1.25
"""Weighed over lifted mass, against the field's usual: within this factor a stretch is taken to be complete."""
NEGLIGIBLE_SHARE, WHOLE = 1e-7, 1e-5
UNCLAIMED = 0.5
"""Work of which less than this was hauled in time lay in a heap at the field's edge."""
CLOCKS_SD_MIN = 1.5
"""What lags and clocks are themselves known to: they are taken in whole minutes."""
MOSTLY_KNOWN, CLEARLY, HALF = 0.9, 0.8, 0.5


@dataclass(frozen=True)
class FieldTrace:
    """What tracing a field found.

    Attributes:
        load_trace: `load_id, machine_id, bin_at, share, share_sd`; machine and bin null on the untraced remainder.
        grade: `load_id, trace_quality, claimed_quality, traced_share, machine_chance, says`; claimed is
            what the tracing itself thinks, before it is calibrated.
        balance: `machine_id, field_id, shift_date, weighed_t, lifted_t, closure`.
    """

    load_trace: pl.DataFrame
    grade: pl.DataFrame
    balance: pl.DataFrame


GRADE: dict[str, pl.DataType | type[pl.DataType]] = {
    "load_id": pl.String,
    "trace_quality": pl.Float64,
    "claimed_quality": pl.Float64,
    "traced_share": pl.Float64,
    "machine_chance": pl.Float64,
    "says": pl.String,
}
BALANCE: dict[str, pl.DataType | type[pl.DataType]] = {
    "machine_id": pl.String,
    "field_id": pl.String,
    "shift_date": pl.Date,
    "weighed_t": pl.Float64,
    "lifted_t": pl.Float64,
    "closure": pl.Float64,
}


Taken = tuple[str, str, NDArray[np.int64], Array, Array]
"""A load, a machine, bins, the load's shares of them and their standard deviations."""


@dataclass
class _Gathered:
    """Shares and grades, gathered load by load."""

    rows: list[Taken] = field(default_factory=list)
    grades: list[tuple[str, float, float, float, float, str]] = field(default_factory=list)
    balance: list[tuple[object, ...]] = field(default_factory=list)

    def untraced(self, loads: list[str], why: str) -> None:
        self.grades += [(load, 0.0, 0.0, 0.0, 0.0, why) for load in loads]


def trace_field(work: TracedFieldWork, clocks: dict[dt.date, DayClocks]) -> FieldTrace:
    """Trace the loads of one field.

    Args:
        work: the field.
        clocks: what is taken for each shift day of its work.
    """
    out = _Gathered()
    loads = in_order(work.loads)
    weighed = minutes(loads, "weighed_at")
    day = [clocks[s.shift_date] for s in work.stretches]
    index, _ = nearest_stretch(work.stretches, weighed - FIRST_LAG_MIN)
    lag = np.array(
        [
            day[k].lag_min(s, km) if day else FIRST_LAG_MIN
            for k, s, km in zip(index, loads["site_id"], loads["km"], strict=True)
        ]
    )
    left, sd = _departures(loads, weighed, lag, index, day)
    index, after = nearest_stretch(work.stretches, left)
    straight = (index >= 0) & straight_from_the_machine(after)
    gross = loads["gross_t"].to_numpy()
    weighed_t = np.array([gross[straight & (index == k)].sum() for k in range(len(work.stretches))])
    usual = _usual_closure(work.stretches, weighed_t, day)
    names = np.array(loads["load_id"].to_list())
    for k, stretch in enumerate(work.stretches):
        mine = np.flatnonzero(straight & (index == k))
        order = mine[np.argsort(left[mine], kind="stable")]
        departures = Departures(left[order], sd[order], gross[order])
        _trace_stretch(out, work.field_id, stretch, loads[order.tolist()], departures, usual, day[k].machine_ahead_min)
    _trace_heaps(out, work, loads, left, after, straight, weighed_t, usual)
    late = set(names[~straight].tolist()) - {g[0] for g in out.grades}
    why = "no machine worked in this field within hours of it" if work.stretches else "no telemetry in this field"
    out.untraced(sorted(late), why)
    return FieldTrace(_with_rest(out.rows, names), _grades(out.grades), _balance(out.balance))


def _departures(
    loads: pl.DataFrame, weighed: Array, lag: Array, index: NDArray[np.int64], day: list[DayClocks]
) -> tuple[Array, Array]:
    """When each load was full, by its ticket's departure where that agrees with its weighing, else by the lag."""
    thought = weighed - lag
    if not day:
        return thought, np.full(weighed.size, 5.0)
    spread, leave, leave_spread = (
        np.array([getattr(day[k], f) for k in index]) for f in ("spread_min", "leave_min", "leave_spread_min")
    )
    told = minutes(loads, "left_field_at") - leave
    agrees = np.abs(told - thought) < 6 * spread + 15
    sd = np.hypot(np.where(agrees, leave_spread, spread), CLOCKS_SD_MIN)
    return np.where(agrees, told, thought), sd


def _usual_closure(stretches: list[Stretch], weighed_t: Array, day: list[DayClocks]) -> float:
    """Weighed over lifted mass of the field: the median of its stretches, held by the fleet's the more the fewer."""
    if not stretches:
        return 1.0
    fleet = float(np.median([d.closure for d in day]))
    ratio = weighed_t / np.array([s.lifted_t for s in stretches])
    kept = ratio[(ratio > fleet / PLAUSIBLE) & (ratio < fleet * PLAUSIBLE)]
    if not kept.size:
        return fleet
    return float(np.exp((kept.size * np.log(np.median(kept)) + np.log(fleet)) / (kept.size + 1)))


def _trace_stretch(
    out: _Gathered,
    field_id: str,
    stretch: Stretch,
    loads: pl.DataFrame,
    departures: Departures,
    usual: float,
    ahead_min: dict[str, float],
) -> None:
    ratio = float(departures.gross_t.sum()) / stretch.lifted_t
    closes = 1 / CLOSES <= ratio / usual <= CLOSES
    names, named = loads["load_id"].to_list(), loads["machine_id"].to_list()
    taken = np.zeros(len(stretch.streams))
    here = {s.machine_id for s in stretch.streams}
    contested = len(here) > 1 and None in named
    shared = (
        associate_loads(stretch, departures, named, ratio if closes else usual, usual, ahead_min) if names else None
    )
    for i, name in enumerate(names):
        if shared is None or (named[i] is not None and named[i] not in here):
            out.untraced([name], "its ticket names a machine without telemetry in this field at that time")
            continue
        found = load_shares(stretch, shared, i)
        known = _take(out, name, stretch, found)
        taken += shared.belief[i] * departures.gross_t[i]
        seen = all(stretch.streams[m].has_signal for m in np.unique(found.stream))
        claimed = found.sure * known / max(float(found.share.sum()), 1e-9)
        sure = calibrated(claimed, emptyings_seen=seen, contested=contested)
        says = _whose(shared.belief[i])
        if not closes:
            says.append(
                f"weighed and lifted mass of that work differ {100 * (ratio / usual - 1):+.0f} % from its usual"
            )
        if not seen:
            says.append("the machine's emptyings are not seen: its mass curve was followed")
        if known < MOSTLY_KNOWN:
            says.append("the log was silent for part of it")
        said = "; ".join(says) or "traced by its emptied tanks"
        out.grades.append((name, sure, claimed, known, float(shared.belief[i].max()), said))
    for stream, weighed_t in zip(stretch.streams, taken, strict=True):
        out.balance.append((stream.machine_id, field_id, stretch.shift_date, float(weighed_t), stream.lifted_t))


def _whose(belief: Array) -> list[str]:
    says = []
    if belief.sum() < HALF:
        says.append("it fits nothing that was lifted here: its ticket may name the wrong field")
    if belief.size > 1 and belief.max() < CLEARLY * belief.sum():
        says.append("several machines in the field and it is not sure whose it is")
    return says


def _take(out: _Gathered, load_id: str, stretch: Stretch, found: LoadShares) -> float:
    """Turn shares of batches into shares of bins; return how much of the load lies in known bins."""
    known = 0.0
    for m in np.unique(found.stream):
        one, own = stretch.streams[m], found.stream == m
        batch = found.batch[own]
        low, high = np.searchsorted(one.batch_of, [batch.min(), batch.max() + 1])
        of_part = one.batch_of[low:high]
        of_batch = one.part_t[low:high] / one.batch_t[of_part]
        share, spread = np.zeros(one.batch_t.size), np.zeros(one.batch_t.size)
        share[batch], spread[batch] = found.share[own], found.share_sd[own]
        part = share[of_part] * of_batch
        kept = (part > NEGLIGIBLE_SHARE) & (one.part_bin_us[low:high] >= 0)
        bins = one.part_bin_us[low:high][kept]
        out.rows.append((load_id, one.machine_id, bins, part[kept], (spread[of_part] * of_batch)[kept]))
        known += float(part[kept].sum())
    return known


def _trace_heaps(
    out: _Gathered,
    work: TracedFieldWork,
    loads: pl.DataFrame,
    left: Array,
    after: Array,
    straight: NDArray[np.bool_],
    weighed_t: Array,
    usual: float,
) -> None:
    """Loads hauled long after the work: every one an even part of all that was lifted before and not hauled in time."""
    names, gross = loads["load_id"].to_list(), loads["gross_t"].to_numpy()
    late = np.flatnonzero(~straight & (after > 0))
    if not late.size:
        return
    left_lying = [
        (stretch, 1 - weighed_t[k] / (usual * stretch.lifted_t))
        for k, stretch in enumerate(work.stretches)
        if weighed_t[k] < UNCLAIMED * usual * stretch.lifted_t
    ]
    for i in late:
        heap = [(s, part) for s, part in left_lying if s.last_min < left[i]]
        total = sum(part * s.lifted_t for s, part in heap)
        if not total:
            out.untraced([names[i]], "it left long after the work, and all that was lifted had been hauled before")
            continue
        known = 0.0
        for stretch, part in heap:
            streams = [np.full(s.batch_t.size, m) for m, s in enumerate(stretch.streams)]
            batches = [np.arange(s.batch_t.size) for s in stretch.streams]
            mass = np.concatenate([s.batch_t for s in stretch.streams]) * part / total
            evenly = LoadShares(np.concatenate(streams), np.concatenate(batches), mass, np.full(mass.size, np.nan), 1.0)
            known += _take(out, names[i], stretch, evenly)
        sure = calibrated(known, heap=True)
        out.grades.append(
            (names[i], sure, sure, known, 0.0, "loaded long after the work from a heap: spread over all that lay there")
        )
    first = work.stretches[0]
    out.balance.append((None, work.field_id, first.shift_date, float(gross[late].sum()), 0.0))


def _with_rest(rows: list[Taken], names: NDArray[np.str_]) -> pl.DataFrame:
    """One frame of all shares, with what of each load is in no bin, so that they sum to 1."""
    sizes = np.array([r[2].size for r in rows], dtype=np.int64)
    which = np.repeat(np.arange(sizes.size), sizes)
    place = {name: k for k, name in enumerate(names.tolist())}
    load = np.array([place[r[0]] for r in rows], dtype=np.int64)[which]
    at = np.concatenate([r[2] for r in rows]) if rows else np.zeros(0, dtype=np.int64)
    share, spread = (np.concatenate([r[k] for r in rows]) if rows else np.zeros(0) for k in (3, 4))
    # Summed one after the other, so that the same data give the same bits; what rounding left over is no remainder.
    known = np.bincount(load, weights=share, minlength=names.size)
    whole = np.abs(known - 1) < WHOLE
    share = share / np.where(whole, known, 1.0)[load]
    frame = pl.DataFrame(
        {
            "load_id": pl.Series([r[0] for r in rows], dtype=pl.String).gather(which),
            "machine_id": pl.Series([r[1] for r in rows], dtype=pl.String).gather(which),
            "bin_at": pl.Series(at, dtype=pl.Int64).cast(pl.Datetime("us")).dt.replace_time_zone("UTC"),
            "share": pl.Series(share, dtype=pl.Float64),
            "share_sd": pl.Series(spread, dtype=pl.Float64).fill_nan(None),
        }
    )
    left = np.flatnonzero(~whole & (1 - known > WHOLE))
    rest = pl.DataFrame(
        {"load_id": names[left].tolist(), "share": 1 - known[left]}, schema={"load_id": pl.String, "share": pl.Float64}
    )
    return pl.concat([frame, rest], how="diagonal").sort("load_id", "machine_id", "bin_at")


def _grades(rows: list[tuple[str, float, float, float, float, str]]) -> pl.DataFrame:
    return pl.DataFrame(rows, schema=GRADE, orient="row").sort("load_id")


def _balance(rows: list[tuple[object, ...]]) -> pl.DataFrame:
    names = [n for n in BALANCE if n != "closure"]
    table = pl.DataFrame(rows, schema={n: BALANCE[n] for n in names}, orient="row")
    lifted = pl.when(pl.col("lifted_t") > 0).then(pl.col("lifted_t"))
    return table.with_columns((pl.col("weighed_t") / lifted).alias("closure"))
