"""Mass streams: batches that left each machine in one field, in order of time, cut at breaks of the whole field.

A batch is one emptied tank: the mixed mass lifted since the previous emptying. A machine without detected emptyings
has one batch per 30 s bin, so that its loads follow the mass curve itself.
"""

import datetime as dt
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

Array = NDArray[np.float64]
MINUTE_US = 60_000_000
GAP_S = 120.0
"""A longer gap in the log within one field hides mass, which is kept as a batch part without a bin."""
REST_MIN = 180.0
"""If no machine lifts in a field for longer than this, the work before and after is traced separately."""
SMALLEST_T = 0.5
LATE_EMPTYING_MIN = 30.0
"""Longest time from the last lifting to the emptying of the tank."""


@dataclass(frozen=True)
class Stream:
    """Mass lifted by one machine in one field between two breaks.

    Attributes:
        machine_id: the machine.
        part_bin_us: the bin of each part, UTC microseconds by the machine's own clock; -1 for a gap in the log.
        part_t: mass of each part, t, from the yield of the field list.
        batch_of: batch of each part.
        batch_t: mass of each batch, t.
        left_min: time at which each batch left the machine, minutes since 1970, by the machine's own clock.
        has_signal: True if emptyings were seen.
        tank_t: capacity of the tank, t.
    """

    machine_id: str
    part_bin_us: NDArray[np.int64]
    part_t: Array
    batch_of: NDArray[np.int64]
    batch_t: Array
    left_min: Array
    has_signal: bool
    tank_t: float

    @property
    def lifted_t(self) -> float:
        """Total lifted mass, t."""
        return float(self.batch_t.sum())


@dataclass(frozen=True)
class Stretch:
    """Work in one field between two breaks: `first_min` to `last_min`, minutes since 1970, and its streams."""

    shift_date: dt.date
    first_min: float
    last_min: float
    streams: tuple[Stream, ...]

    @property
    def lifted_t(self) -> float:
        """Total lifted mass, t."""
        return sum(s.lifted_t for s in self.streams)


def shift_date(moment: pl.Expr, zone: str, starts: dt.time) -> pl.Expr:
    """Return the local date of the shift to which a UTC moment belongs.

    Args:
        moment: UTC times.
        zone: time zone of the season, such as `Europe/Berlin`.
        starts: local time at which a shift starts.
    """
    offset = dt.timedelta(hours=starts.hour, minutes=starts.minute)
    return (moment.dt.convert_time_zone(zone).dt.replace_time_zone(None) - offset).dt.date()


@dataclass(frozen=True)
class Signals:
    """Emptyings and tank of a machine, in addition to its bins.

    Attributes:
        emptied_us: start of each emptying, UTC microseconds, ascending.
        emptied_t: emptied mass reported by the machine, t; NaN if not reported.
        tank_t: capacity of the tank, t.
    """

    emptied_us: NDArray[np.int64]
    emptied_t: Array
    tank_t: float


def machine_signals(unloads: pl.DataFrame, tanks: dict[str, float]) -> dict[str, Signals]:
    """Return the emptyings and tank of each machine.

    Args:
        unloads: `machine_id, started_at, unloaded_t`; start of each emptying, UTC, and emptied mass, t.
        tanks: machine -> capacity of its tank, t.
    """
    ordered = unloads.sort("machine_id", "started_at")
    by_machine = {str(m): part for (m,), part in ordered.group_by("machine_id", maintain_order=True)}
    no_rows = ordered.clear()
    return {
        machine: Signals(
            by_machine.get(machine, no_rows)["started_at"].dt.timestamp("us").to_numpy(),
            by_machine.get(machine, no_rows)["unloaded_t"].cast(pl.Float64).fill_null(np.nan).to_numpy(),
            tank,
        )
        for machine, tank in tanks.items()
    }


class _Parts(NamedTuple):
    """Parts of a stream in order of time: time and bin, UTC microseconds (bin -1 for a gap), and mass, t."""

    at: NDArray[np.int64]
    bin_us: NDArray[np.int64]
    mass: Array


def _with_gaps(at: NDArray[np.int64], mass: Array, silent_s: Array, busy: int) -> _Parts:
    """Return times, bins and masses of parts, with parts of unknown bins (-1) added at gaps in the log during work.

    The mass of a gap follows from the mean lifting rate of the stretch.
    """
    between_s = np.diff(at) / 1e6 - 30.0
    # A machine that logged in between, in another field or on the road, has no gap.
    gaps = np.flatnonzero((between_s > GAP_S) & (np.abs(between_s - silent_s[:-1]) < 1))
    rate = mass.sum() / max(busy, 1) / 30.0
    all_at = np.concatenate([at, at[gaps] + 30_000_000])
    order = np.argsort(all_at, kind="stable")
    bins = np.concatenate([at, np.full(gaps.size, -1)])
    return _Parts(all_at[order], bins[order], np.concatenate([mass, between_s[gaps] * rate])[order])


def _scaled_machine_weights(batch_t: Array, reported_t: Array) -> Array:
    """Return batch masses as weighed by the machine, scaled to the total of area times yield."""
    known = np.isfinite(reported_t) & (reported_t > SMALLEST_T)
    if not known.any():
        return batch_t
    ratio = batch_t[known].sum() / reported_t[known].sum()
    return np.where(known, reported_t * ratio, batch_t)


def _stream(machine_id: str, bins: pl.DataFrame, signals: Signals) -> Stream | None:
    """Return the mass stream of one machine; None if it lifted almost nothing."""
    at, part_bin, mass = _with_gaps(
        bins["bin_at"].dt.timestamp("us").to_numpy(),
        bins["lifted_t"].to_numpy(),
        bins["silent_s"].to_numpy(),
        int((bins["state"] != "idle").sum()),
    )
    kept = mass > 0
    at, part_bin, mass = at[kept], part_bin[kept], mass[kept]
    if mass.sum() < SMALLEST_T:
        return None
    in_stretch = (signals.emptied_us > at[0]) & (signals.emptied_us <= at[-1] + LATE_EMPTYING_MIN * MINUTE_US)
    ends, reported_t = signals.emptied_us[in_stretch], signals.emptied_t[in_stretch]
    if ends.size:
        batch = np.searchsorted(ends, at, side="right")
        left, reported_t = np.append(ends, at[-1] + 30_000_000), np.append(reported_t, np.nan)
    else:
        batch, left, reported_t = np.arange(at.size), at + 30_000_000, np.full(at.size, np.nan)
    used, batch = np.unique(batch, return_inverse=True)
    by_area = np.bincount(batch, weights=mass).astype(np.float64)
    batch_t = _scaled_machine_weights(by_area, reported_t[used])
    return Stream(
        machine_id,
        part_bin,
        mass * (batch_t / by_area)[batch],
        batch.astype(np.int64),
        batch_t,
        left[used] / MINUTE_US,
        bool(ends.size),
        signals.tank_t,
    )


def _stretch_numbers(bins: pl.DataFrame) -> pl.Series:
    """Return the stretch number of each bin; a new stretch starts after `REST_MIN` without lifting by any machine."""
    moments = bins.filter(pl.col("lifted_t") > 0)["bin_at"].dt.timestamp("us").unique().sort().to_numpy()
    starts = moments[1:][np.diff(moments) > REST_MIN * MINUTE_US]
    # The cut is in the middle of the break, so that idle bins before and after it stay with their own work.
    before = moments[:-1][np.diff(moments) > REST_MIN * MINUTE_US]
    cuts = (starts + before) // 2
    return pl.Series("stretch", np.searchsorted(cuts, bins["bin_at"].dt.timestamp("us").to_numpy(), side="right"))


def field_stretches(
    bins: pl.DataFrame, signals: dict[str, Signals], yield_t_ha: float, zone: str, starts: dt.time
) -> list[Stretch]:
    """Return the stretches of work in one field, in order of time.

    Args:
        bins: the field's bins with `machine_id, bin_at, state, area_ha, silent_s`, in order of machine and time.
        signals: machine -> its emptyings and tank.
        yield_t_ha: yield of the field list, t/ha.
        zone: time zone of the season, such as `Europe/Berlin`.
        starts: local time at which a shift starts.
    """
    lifted = bins.with_columns((pl.col("area_ha") * yield_t_ha).alias("lifted_t"))
    if lifted["lifted_t"].sum() < SMALLEST_T:
        return []
    lifted = lifted.with_columns(_stretch_numbers(lifted), shift_date(pl.col("bin_at"), zone, starts).alias("date"))
    out = []
    for _, part in sorted(lifted.group_by("stretch", maintain_order=True), key=lambda p: p[0]):
        with_lifting = part.filter(pl.col("lifted_t") > 0)
        if not with_lifting.height:
            continue
        streams = [
            _stream(str(m), own, signals[str(m)]) for (m,), own in part.group_by("machine_id", maintain_order=True)
        ]
        moments = with_lifting["bin_at"].dt.timestamp("us").to_numpy() / MINUTE_US
        present = tuple(s for s in streams if s is not None)
        if present:
            out.append(Stretch(with_lifting["date"][int(moments.argmin())], moments.min(), moments.max(), present))
    return out
